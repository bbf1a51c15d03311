"""What the three tune collections hold, as their manifests state it and as `load` reads it."""

import importlib.util
from collections import Counter

import numpy as np
import pytest

from keybench.corpora import load, read_manifest
from keybench.key import MODES
from keybench.notes import DOWNBEAT

pytestmark = [
    pytest.mark.corpus,
    pytest.mark.skipif(
        importlib.util.find_spec("music21") is None,
        reason="music21 is absent: install it with pip install 'keybench[corpora]'",
    ),
]

NAMES = ["aird", "oneill", "ryan"]


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("KEYBENCH_CACHE", str(folder))
        yield folder


@pytest.fixture(scope="module")
def corpora(cache):
    return {name: load(name) for name in NAMES}


def tonic_shares(corpus):
    """Return the share of pieces with the tonic among the notes that sound first, and among those that sound last."""
    begins, ends = [], []
    for piece, tonic in zip(corpus.notes.pieces(), corpus.tonic, strict=True):
        is_tonic = (piece.pitch - tonic) % 12 == 0
        begins.append(is_tonic[piece.onset == piece.onset.min()].any())
        ends.append(is_tonic[piece.onset == piece.onset.max()].any())
    assert len(begins) > 1000
    return np.mean(begins), np.mean(ends)


@pytest.mark.parametrize("name", NAMES)
def test_counts_are_those_of_the_manifest(corpora, name):
    # Source: the manifest, whose counts were taken from the K: lines by an independent script.
    corpus, manifest = corpora[name], read_manifest(name)
    left_out = [problem for problem in corpus.problems if not problem.scored]
    assert len(corpus) == manifest.labelled > 1000
    assert len(corpus) + len(left_out) == manifest.pieces
    modes = Counter(MODES[mode] for mode in corpus.mode)
    assert dict(modes) == manifest.modes
    assert sum(manifest.modes.values()) == manifest.labelled


@pytest.mark.parametrize("name", NAMES)
def test_ids_are_unique_and_name_their_corpus(corpora, name):
    corpus = corpora[name]
    assert len(set(corpus.pieces)) == len(corpus.pieces) > 1000
    assert all(piece.startswith(f"{name}:") for piece in corpus.pieces)


@pytest.mark.parametrize(("name", "word", "count"), [("aird", "Hp", 2), ("oneill", "Bn", 2), ("ryan", "", 0)])
def test_the_only_problems_are_keys_without_a_mode(corpora, name, word, count):
    # Source: the files themselves, two tunes marked Hp and two marked Bn.
    problems = corpora[name].problems
    assert len(problems) == count
    for problem in problems:
        assert not problem.scored
        assert problem.reason.startswith(f"{problem.piece} (")
        assert repr(word) in problem.reason
        assert "accepted:" in problem.reason


@pytest.mark.parametrize("name", NAMES)
def test_every_labelled_piece_has_notes(corpora, name):
    notes = corpora[name].notes
    assert notes.n_notes.min() > 0
    assert notes.onset.min() == 0
    assert notes.duration.min() > 0
    assert 20 < np.median(notes.n_notes) < 400


@pytest.mark.parametrize(
    ("name", "first", "last"), [("aird", 0.329, 0.883), ("oneill", 0.303, 0.825), ("ryan", 0.245, 0.753)]
)
def test_last_notes_are_tonics_and_first_notes_mostly_not(corpora, name, first, last):
    # No source: the shares of tunes that begin and end on the labelled tonic, measured on the notes that `load` gives.
    # Da capo is not played, so a tune that goes back to its beginning (many in Ryan's) ends here on its last strain.
    assert tonic_shares(corpora[name]) == pytest.approx((first, last), abs=0.01)


@pytest.mark.parametrize("name", NAMES)
def test_almost_every_tune_has_accents(corpora, name):
    # Common practice, no source: a tune in bars has first beats.
    notes = corpora[name].notes
    marked = np.bincount(notes.piece[notes.accent == DOWNBEAT], minlength=len(notes)) > 0
    assert marked.mean() >= 0.99
    share = np.mean(notes.accent == DOWNBEAT)
    assert 0.08 < share < 0.4


@pytest.mark.parametrize("name", NAMES)
def test_truth_follows_the_label_policy(corpora, name):
    # Source: the manifests. O'Neill's minor label stands for minor or Dorian, all others for themselves.
    corpus = corpora[name]
    minor = corpus.mode == MODES.index("minor")
    assert minor.any()
    assert corpus.truth[np.arange(len(corpus)), 12 * corpus.mode + corpus.tonic].all()
    assert set(corpus.truth[minor].sum(axis=1)) == {2 if name == "oneill" else 1}
    assert set(corpus.truth[~minor].sum(axis=1)) == {1}


@pytest.mark.parametrize("name", NAMES)
def test_a_second_load_gives_the_same_from_the_cache(corpora, cache, name):
    written = {path: path.stat().st_mtime_ns for path in cache.rglob("*.npz")}
    assert len(written) == len(NAMES)
    again, first = load(name), corpora[name]
    assert {path: path.stat().st_mtime_ns for path in cache.rglob("*.npz")} == written
    assert again is not first
    assert (again.pieces == first.pieces).all()
    assert (again.truth == first.truth).all()
    assert again.problems == first.problems
    assert np.array_equal(again.tonic, first.tonic)
    assert np.array_equal(again.mode, first.mode)
    assert again.variant_keys == first.variant_keys
    for column in ("onset", "duration", "pitch", "part", "accent", "offsets"):
        assert np.array_equal(getattr(again.notes, column), getattr(first.notes, column))
