"""Every corpus that is on this machine is what its manifest states.

The counts were measured on the very files that the hash lists name; a copy that lacks files, or holds others, is
skipped and says so. Independent figures: those of the tune collections, the chants, the songs, the scores and the solos
stand in the other files of this folder.
"""

import os
from pathlib import Path

import numpy as np
import pytest

from keybench.corpora import load, manifest_names, read_manifest
from keybench.corpora.pin import counts
from keybench.corpora.status import presence, verify

pytestmark = [pytest.mark.corpus, pytest.mark.slow]

AT_HAND = Path(__file__).resolve().parents[2].parent / "shared" / "data"


@pytest.fixture(scope="module", autouse=True)
def _places(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("KEYBENCH_CACHE", str(tmp_path_factory.mktemp("cache")))
        if "KEYBENCH_DATA" not in os.environ and AT_HAND.is_dir():
            patch.setenv("KEYBENCH_DATA", str(AT_HAND))
        yield


@pytest.fixture(scope="module")
def corpora():
    """Load each corpus once."""
    loaded = {}

    def get(name):
        manifest = read_manifest(name)
        state, missing = presence(manifest)
        if state != "present":
            pytest.skip(
                f"{name}: {state} on this machine ({missing} files missing); see: keybench corpora describe {name}"
            )
        if name not in loaded:
            loaded[name] = load(name, n_jobs=2)
        return manifest, loaded[name]

    return get


@pytest.mark.parametrize("name", manifest_names())
def test_counts_are_those_of_the_manifest(corpora, name):
    manifest, corpus = corpora(name)
    stated = {
        "pieces": manifest.pieces,
        "labelled": manifest.labelled,
        "with_local_keys": manifest.with_local_keys,
        "modes": manifest.modes,
    }
    assert counts(corpus) == stated


@pytest.mark.parametrize("name", manifest_names())
def test_files_are_those_of_the_hash_list(corpora, name):
    manifest, _ = corpora(name)
    for found in verify(manifest):
        assert [file for file in found.states if file.state != "present"] == []


@pytest.mark.parametrize("name", manifest_names())
def test_nearly_all_pieces_load_and_the_others_are_named(corpora, name):
    _, corpus = corpora(name)
    silent = corpus.pieces[corpus.notes.n_notes == 0]
    named = {problem.piece for problem in corpus.problems if problem.scored}
    assert set(silent) == named
    assert len(named) <= 0.05 * len(corpus)


@pytest.mark.parametrize("name", manifest_names())
def test_pieces_are_sound(corpora, name):
    manifest, corpus = corpora(name)
    assert len(set(corpus.pieces)) == len(corpus) > 0
    assert corpus.truth.any(axis=1).all()
    home = np.array([corpus.truth[i].reshape(7, 12)[:, corpus.tonic[i]].any() for i in range(len(corpus))])
    assert home.all(), "the written home note is acceptable"
    spans = corpus.spans
    same = spans.piece[1:] == spans.piece[:-1]
    assert (spans.end > spans.start).all()
    assert (spans.start[1:][same] >= spans.end[:-1][same] - 1e-6).all(), "local keys do not overlap"
    assert all(name in manifest.id for name in set(corpus.corpus))


def test_secondary_truth_is_marked():
    """Which truth may enter a headline number follows from what the origins say of their labels."""
    secondary = {name for name in manifest_names() if not read_manifest(name).headline}
    assert {"pop909-cl", "jazz-solos", "probe", "dcml-early", "nottingham"} <= secondary
    for name in manifest_names():
        manifest = read_manifest(name)
        assert not (manifest.headline and manifest.trust in ("derived", "algorithmic"))
