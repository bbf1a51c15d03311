"""From files to a corpus and back out of the cache, with everything that a piece can carry.

The format is this test's own: one JSON text per piece says what its readers shall find, so that every value is known.
"""

import hashlib
import json
import sys
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from keybench.corpora import cache, load, loading, pin, pool, read_manifest
from keybench.corpora.assemble import random_shift, read_files
from keybench.corpora.corpus import LEFT_OUT, REMARK, UNREADABLE
from keybench.corpora.grouping import OPENING_NOTES
from keybench.corpora.manifest import FORMATS
from keybench.corpora.readers.reading import ChromaFrames, LabelSpan, Reading
from keybench.corpora.sources import Document, Facts, Label
from keybench.errors import CorpusMissingError, ReadError
from keybench.key import DORIAN, MAJOR, MINOR, N_MODES, NO_MODE, Key
from keybench.notes import BASS, DOWNBEAT, STRONG, WEAK, Piece

# --- A format of this test -------------------------------------------------------------------------------------------


def documents(_, files, companions):
    found = [
        Document(name.removesuffix(".bell"), name, (data, companions.get(f"{name}.labels", b"{}")))
        for name, data in files.items()
        if data
    ]
    return found, [(name, "nothing in it; accepted: one piece") for name, data in files.items() if not data]


def read_notes(document):
    told = json.loads(document.data[0])
    if "no notes" in told:
        raise ReadError(told["no notes"])
    n = len(told["pitch"])
    frames = None
    if "bass" in told:
        frames = ChromaFrames(np.arange(len(told["bass"])) / 2, np.array(told["bass"]), np.array(told["treble"]))
    return Reading(
        Piece(
            np.array(told.get("onset", range(n)), dtype=float),
            np.array(told.get("duration", [1.0] * n)),
            np.array(told["pitch"], dtype=float),
            np.array(told.get("part", [0] * n)),
            np.array(told.get("accent", [WEAK] * n)),
        ),
        chroma=frames,
    )


def read_facts(document, reading):
    told = json.loads(document.data[0])
    if "no facts" in told:
        raise ReadError(told["no facts"])
    spans = [*told.get("spans", []), *json.loads(document.data[1]).get("spans", [])]
    return Facts(
        label=Label(*told["key"]) if "key" in told else None,
        accepted=tuple(Key(*key) for key in told.get("accepted", [])),
        spans=tuple(LabelSpan(*span) for span in spans),
        related={kind: tuple(told[kind]) for kind in ("title", "work", "composer") if kind in told},
        strata=tuple(told.get("strata", [])),
        remark=told.get("remark", ""),
    )


MANIFEST = """
schema = 2
id = "tower"
revision = 1
headline = true
title = "Bells of our own"
good_for = "Tests."
licence = "CC0-1.0"
licence_note = "None."
commercial_use = "allowed"
derived_use = "allowed"
citation = "@misc{tower, title = {Bells}}"
known_faults = []
group_by = ["title", "opening", "work", "composer", "piece"]
[origin]
kind = "folder"
folder = "bells"
files = ["*.bell"]
[companion]
kind = "folder"
folder = "labels"
files = ["*.labels"]
[reader]
format = "bell-ringing"
[labels]
space = "modes"
trust = "expert"
policy = "As written."
[labels.accept]
minor = ["minor", "dorian"]
[counts]
pieces = 0
labelled = 0
at_origin = 99
modes = {}
"""


@pytest.fixture
def bells(monkeypatch):
    """The format, under the name bell-ringing; returns its module."""
    module = ModuleType("keybench.corpora.sources.bell_ringing")
    module.UNIT, module.NEEDS = "second", ""
    module.documents, module.read_notes, module.read_facts = documents, read_notes, read_facts
    monkeypatch.setitem(sys.modules, module.__name__, module)
    monkeypatch.setitem(FORMATS, "bell-ringing", ("*.bell",))
    return module


@pytest.fixture
def tower(bells, tmp_path, monkeypatch):
    """A corpus of that format in a folder of its own, with a cache of its own; returns a function that loads it."""
    monkeypatch.setenv("KEYBENCH_CACHE", str(tmp_path / "cache"))
    for folder in ("bells", "labels"):
        (tmp_path / folder).mkdir()
    (tmp_path / "tower.toml").write_text(MANIFEST)
    for name, told in PIECES.items():
        (tmp_path / "bells" / f"{name}.bell").write_text(json.dumps(told))
    (tmp_path / "labels" / "long.bell.labels").write_text(json.dumps({"spans": [[8, 9.5, 2, DORIAN]]}))
    return lambda: load(str(tmp_path / "tower.toml"))


def frame(note, energy=1.0):
    return [energy if i == note else 0.0 for i in range(12)]


LONG = [60, 62, 63, 65, 67, 68, 70, 72, 60, 67, 60, 63]
PIECES = {
    "long": {
        "pitch": LONG,
        "part": [BASS, *[3] * 11],
        "accent": [DOWNBEAT, WEAK, STRONG, *[WEAK] * 9],
        "key": [0, MINOR],
        "spans": [[0, 4, 0, MINOR], [4, 4, 5, MAJOR], [4.5, 8, 3, None]],
        "bass": [frame(0), frame(7, 0.5)],
        "treble": [frame(3), frame(11, 2.0)],
        "strata": ["loud", "early"],
        "title": ["The Great Bell", "Brass, The"],
        "work": ["ode"],
        "composer": ["Smith of the tower"],
    },
    "home": {"pitch": [50, 57, 50], "key": [2], "strata": ["loud"], "bass": [frame(2)], "treble": [frame(9)]},
    "several": {"pitch": [55, 59], "key": [7, MAJOR], "accepted": [[7, MAJOR], [2, DORIAN]], "remark": "no local keys"},
    "silent": {"no notes": "bell cracked; accepted: whole ones", "key": [4, MAJOR], "spans": [[0, 1, 4, MAJOR]]},
    "unsound": {"pitch": [60, 62], "duration": [1.0, -0.5], "key": [9, MAJOR]},
    "keyless": {"pitch": [60], "remark": "names no key; accepted: one"},
    "torn": {"pitch": [60], "no facts": "label torn; accepted: whole ones"},
}
KEPT = ["home", "long", "several", "silent", "unsound"]


def row(corpus, name):
    return corpus.pieces.tolist().index(f"tower:{name}")


def spans_of(corpus, name):
    one = corpus.spans[row(corpus, name)]
    return list(zip(*(getattr(one, column).tolist() for column in one.COLUMNS), strict=True))


def same(one, other):
    """Check that two corpora hold the same in every part."""
    for name in vars(one):
        a, b = getattr(one, name), getattr(other, name)
        if name in ("notes", "spans", "chroma") and a is not None:
            assert type(a) is type(b)
            for column in (*a.COLUMNS, "offsets"):
                np.testing.assert_array_equal(getattr(a, column), getattr(b, column), err_msg=f"{name}.{column}")
                assert getattr(a, column).dtype == getattr(b, column).dtype, f"{name}.{column}"
            assert name != "notes" or a.unit == b.unit
        elif isinstance(a, np.ndarray):
            np.testing.assert_array_equal(a, b, err_msg=name)
            assert a.dtype.kind == b.dtype.kind, name
        else:
            assert a == b, name


# --- Everything that readers give comes through ----------------------------------------------------------------------


def test_pieces_and_labels(tower):
    corpus = tower()
    assert corpus.pieces.tolist() == [f"tower:{name}" for name in KEPT]
    assert corpus.corpus.tolist() == ["tower"] * 5
    assert corpus.tonic.tolist() == [2, 0, 7, 4, 9]
    assert corpus.mode.tolist() == [NO_MODE, MINOR, MAJOR, MAJOR, MAJOR]
    accepted = [{(int(i) % 12, int(i) // 12) for i in np.flatnonzero(truth)} for truth in corpus.truth]
    assert accepted == [
        {(2, mode) for mode in range(N_MODES)},  # the label names a home note only
        {(0, MINOR), (0, DORIAN)},  # the policy widens minor
        {(7, MAJOR), (2, DORIAN)},  # the source says itself what is acceptable
        {(4, MAJOR)},
        {(9, MAJOR)},
    ]


def test_notes_spans_chroma_and_strata(tower):
    corpus = tower()
    assert corpus.notes.unit == "second"
    assert corpus.notes.n_notes.tolist() == [3, 12, 2, 0, 0]
    long = corpus.notes[row(corpus, "long")]
    assert long.pitch.tolist() == LONG
    assert long.part.tolist() == [BASS, *[3] * 11]
    assert long.accent.tolist() == [DOWNBEAT, WEAK, STRONG, *[WEAK] * 9]
    # Spans without length are none; those of the companion come along; a home note alone stays one.
    assert spans_of(corpus, "long") == [(0, 4, 0, MINOR), (4.5, 8, 3, NO_MODE), (8, 9.5, 2, DORIAN)]
    assert spans_of(corpus, "silent") == [(0, 1, 4, MAJOR)]
    assert corpus.spans.n_rows.tolist() == [0, 3, 0, 1, 0]
    assert corpus.chroma.n_rows.tolist() == [1, 2, 0, 0, 0]
    chroma = corpus.chroma[row(corpus, "long")]
    assert chroma.time.tolist() == [0, 0.5]
    assert chroma.bass.tolist() == [frame(0), frame(7, 0.5)]
    assert chroma.treble.tolist() == [frame(3), frame(11, 2.0)]
    assert corpus.strata == [("loud",), ("loud", "early"), (), (), ()]


def test_what_is_lacking_is_told_in_one_line_each(tower, tmp_path):
    (tmp_path / "bells" / "empty.bell").write_text("")
    problems = {problem.piece: (problem.kind, problem.reason) for problem in tower().problems}
    assert problems == {
        "tower:empty.bell": (LEFT_OUT, "tower:empty.bell: nothing in it; accepted: one piece"),
        "tower:keyless": (LEFT_OUT, "tower:keyless (keyless.bell): names no key; accepted: one"),
        "tower:torn": (LEFT_OUT, "tower:torn (torn.bell): label torn; accepted: whole ones"),
        "tower:several": (REMARK, "tower:several (several.bell): no local keys"),
        "tower:silent": (UNREADABLE, "tower:silent (silent.bell): bell cracked; accepted: whole ones"),
        "tower:unsound": (
            UNREADABLE,
            "tower:unsound (unsound.bell): duration -0.5 is negative; accepted: zero or more",
        ),
    }
    assert list(tower().read_errors) == ["tower:silent", "tower:unsound"]


def test_the_manifest_says_what_groups_pieces(tower, tmp_path):
    keys = {
        "title": ["title:greatbell", "title:brass"],
        "opening": ["opening:0.2.3.5.7.8.10.0.0.7.0.3"],
        "work": ["work:ode"],
        "composer": ["composer:Smith of the tower"],
        "piece": ["piece:tower:long"],
    }
    for kinds in (["title", "opening", "work", "composer", "piece"], ["work"], ["piece", "title"], []):
        text = MANIFEST.replace('["title", "opening", "work", "composer", "piece"]', json.dumps(kinds))
        (tmp_path / "tower.toml").write_text(text)
        corpus = tower()
        assert corpus.variant_keys[row(corpus, "long")] == tuple(key for kind in kinds for key in keys[kind])
    assert OPENING_NOTES // 2 <= len(LONG) < OPENING_NOTES  # what there is of an opening counts, if it is half of one


def test_a_corpus_without_recordings_has_no_chroma(tower, tmp_path):
    for name in ("long", "home"):
        told = {key: value for key, value in PIECES[name].items() if key not in ("bass", "treble")}
        (tmp_path / "bells" / f"{name}.bell").write_text(json.dumps(told))
    assert tower().chroma is None
    assert tower().chroma is None  # from the cache, too


def test_a_tonic_only_corpus_forgets_written_modes(tower, tmp_path):
    (tmp_path / "tower.toml").write_text(MANIFEST.replace('space = "modes"', 'space = "tonic"'))
    corpus = tower()
    assert set(corpus.mode.tolist()) == {NO_MODE}
    assert corpus.truth.sum(axis=1).tolist() == [N_MODES, N_MODES, 2, N_MODES, N_MODES]


def test_a_format_may_need_a_package(tower, bells):
    bells.NEEDS = "harbour_tunes_absent"
    with pytest.raises(CorpusMissingError, match=r"'tower'.* harbour_tunes_absent; install it with: pip install"):
        tower()


def test_an_absent_companion_is_a_missing_corpus(tower, tmp_path):
    (tmp_path / "labels" / "long.bell.labels").unlink()
    with pytest.raises(CorpusMissingError, match=r"labels holds no \*\.labels"):
        tower()


def test_what_is_missing_or_unreadable_of_a_companion_counts_as_well(tower, tmp_path):
    digest = "0" * 64
    (tmp_path / "list").write_text(f"{digest}  long.bell.labels\n{digest}  gone.bell.labels\n")
    (tmp_path / "tower.toml").write_text(MANIFEST.replace('["*.labels"]', '["*.labels"]\nhashes = "list"'))
    (tmp_path / "labels" / "home.bell.labels").mkdir()
    corpus = tower()
    assert corpus.missing == ["gone.bell.labels"]
    (problem,) = (p for p in corpus.problems if "home.bell.labels" in p.piece)
    assert problem.kind == LEFT_OUT
    assert len(corpus) == 5


# --- A random transposition ------------------------------------------------------------------------------------------


def test_the_shift_is_drawn_from_the_id():
    for name in ("tower:long", "tower:home", "quay:été", ""):
        number = int(hashlib.sha256(name.encode()).hexdigest()[:16], 16)
        assert random_shift(name) == number % 12 - 5
    drawn = np.bincount([random_shift(f"tower:{i}") + 5 for i in range(6000)], minlength=12)
    assert drawn.min() > 400  # 500 each are expected; 22 is one standard deviation
    assert len(drawn) == 12


def test_everything_of_a_piece_moves_together(tower, tmp_path):
    plain = tower()
    (tmp_path / "tower.toml").write_text(MANIFEST.replace('"bell-ringing"', '"bell-ringing"\ntranspose = "random"'))
    moved = tower()
    shift = np.array([random_shift(str(name)) for name in plain.pieces])
    assert len(set(shift.tolist())) > 2
    np.testing.assert_array_equal(moved.tonic, (plain.tonic + shift) % 12)
    np.testing.assert_array_equal(moved.mode, plain.mode)
    np.testing.assert_array_equal(moved.notes.pitch, plain.notes.transpose(shift).pitch)
    np.testing.assert_array_equal(moved.spans.tonic, plain.spans.transpose(shift).tonic)
    np.testing.assert_array_equal(moved.spans.mode, plain.spans.mode)
    for name in ("bass", "treble"):
        np.testing.assert_array_equal(getattr(moved.chroma, name), getattr(plain.chroma.transpose(shift), name))
    for one, other, by in zip(plain.truth, moved.truth, shift.tolist(), strict=True):
        keys = {Key(int(i) % 12, int(i) // 12).transpose(by) for i in np.flatnonzero(one)}
        assert {key.index for key in keys} == set(np.flatnonzero(other).tolist())
    assert moved.variant_keys == plain.variant_keys  # related pieces stay related
    assert moved.strata == plain.strata
    same(tower(), moved)


# --- The cache -------------------------------------------------------------------------------------------------------


def caches(tmp_path):
    return sorted((tmp_path / "cache").rglob("*.npz"))


def no_reading(monkeypatch):
    monkeypatch.setattr(loading, "read_files", lambda *_: pytest.fail("read again in spite of the cache"))


def test_the_cache_gives_back_every_part(tower, tmp_path, monkeypatch):
    first = tower()
    assert len(caches(tmp_path)) == 1
    no_reading(monkeypatch)
    same(tower(), first)


def test_odd_values_are_the_same_from_the_cache(tower, tmp_path, monkeypatch):
    odd = {"pitch": [60.1, -3.25, 1e6 + 0.3], "part": [70_000, BASS, 32_768], "accent": [DOWNBEAT, STRONG, WEAK],
           "onset": [-1 / 3, 0, 1e-9], "duration": [0, 1 / 7, 1e5], "key": [0, MAJOR],
           "spans": [[1 / 3, 2 / 3, 0, MAJOR]], "title": ["Glocke \u266d \U0001f514"],
           "strata": ["with, comma", 'with "quotes"']}  # fmt: skip
    (tmp_path / "bells" / "odd, \u00e9.bell").write_text(json.dumps(odd))
    first = tower()
    assert "tower:odd, \u00e9" in first.pieces
    no_reading(monkeypatch)
    same(tower(), first)


def test_an_empty_corpus_is_cached_as_well(tower, tmp_path, monkeypatch):
    for path in (tmp_path / "bells").glob("*.bell"):
        path.unlink()
    (tmp_path / "bells" / "empty.bell").write_text("")
    first = tower()
    assert len(first) == 0
    no_reading(monkeypatch)
    again = tower()
    assert len(again) == 0
    assert again.truth.shape == (0, 84)
    assert again.problems == first.problems


def cut(name, by=1):
    return lambda arrays: arrays | {name: arrays[name][:-by]}


def put(name, place, value):
    def change(arrays):
        column = np.array(arrays[name])
        column[place] = value
        return arrays | {name: column}

    return change


def text(name, content):
    return lambda arrays: arrays | {name: np.array(content)}


DAMAGE = {
    "notes too short": cut("notes.pitch"),
    "spans too short": cut("spans.tonic"),
    "span offsets too short": cut("spans.offsets"),
    "chroma too short": cut("chroma.treble"),
    "chroma offsets too short": cut("chroma.offsets"),
    "truth too short": cut("truth"),
    "tonics too short": cut("tonic"),
    "modes too short": cut("mode"),
    "a name too few": cut("pieces"),
    "spans of a piece too many": lambda arrays: arrays | {"spans.offsets": np.append(arrays["spans.offsets"], 4)},
    "offsets that go back": put("spans.offsets", 1, 4),
    "offsets that begin late": put("chroma.offsets", 0, 1),
    "chroma that is no number": put("chroma.bass", (0, 0), np.nan),
    "a span without end": put("spans.end", 0, np.inf),
    "strata for fewer pieces": text("strata", "[]"),
    "strata that are no JSON": text("strata", "[["),
    "groups for fewer pieces": text("variant_keys", "[]"),
    "problems of another kind": text("problems", '[{"piece": "tower:x"}]'),
    "problems that are a number": text("problems", "3"),
    "a table of no kind": lambda arrays: arrays | {"pauses.start": np.zeros(3)},
    "a column of no kind": lambda arrays: arrays | {"spans.colour": np.zeros(4)},
    "nothing": lambda arrays: {},
}
EVERY_ARRAY = [
    *(f"notes.{name}" for name in ("onset", "duration", "pitch", "part", "accent", "offsets")),
    *(f"spans.{name}" for name in ("start", "end", "tonic", "mode", "offsets")),
    *(f"chroma.{name}" for name in ("time", "bass", "treble", "offsets")),
    *("unit", "pieces", "truth", "tonic", "mode", "variant_keys", "strata", "problems"),
]


def damaged(tower, tmp_path, damage):
    """Damage the cache, load, and check that the corpus is whole and so is its cache."""
    first = tower()
    (path,) = caches(tmp_path)
    whole = cache.read(path)
    assert sorted(whole) == sorted(EVERY_ARRAY)
    np.savez(path, **damage(dict(whole)))
    same(tower(), first)
    mended = cache.read(path)
    assert sorted(mended) == sorted(whole)
    for name in whole:
        np.testing.assert_array_equal(mended[name], whole[name], err_msg=name)


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_a_damaged_cache_is_made_again(tower, tmp_path, damage):
    damaged(tower, tmp_path, damage)


@pytest.mark.parametrize("name", EVERY_ARRAY)
def test_a_cache_that_lacks_an_array_is_made_again(tower, tmp_path, name):
    damaged(tower, tmp_path, lambda arrays: {key: array for key, array in arrays.items() if key != name})


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9])
def test_a_cache_cut_short_is_made_again(tower, tmp_path, share):
    first = tower()
    (path,) = caches(tmp_path)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    same(tower(), first)
    assert len(path.read_bytes()) == len(whole)


def test_whatever_decides_what_is_read_makes_another_cache(tower, tmp_path, monkeypatch):
    tower()

    def another():
        before = set(caches(tmp_path))
        tower()
        return len(set(caches(tmp_path)) - before) == 1

    assert not another()
    (tmp_path / "labels" / "long.bell.labels").write_text("{}")
    assert another(), "content of the companion"
    (tmp_path / "bells" / "long.bell").rename(tmp_path / "bells" / "longer.bell")
    assert another(), "name of a file"
    (tmp_path / "tower.toml").write_text(MANIFEST.replace("at_origin = 99", "at_origin = 98"))
    assert another(), "manifest"
    monkeypatch.setattr(loading, "_code_hash", lambda: "another reader")
    assert another(), "code"


def test_content_of_origin_and_companion_are_told_apart(bells, tmp_path):
    (tmp_path / "tower.toml").write_text(MANIFEST)
    manifest = read_manifest(str(tmp_path / "tower.toml"))
    piece = json.dumps(PIECES["home"]).encode()
    one = read_files(manifest, {"a.bell": piece}, {"b.bell": piece})
    other = read_files(manifest, {"a.bell": piece, "b.bell": piece}, {})
    assert one.content_hash != other.content_hash


# --- Choosing and pooling --------------------------------------------------------------------------------------------


def test_selecting_keeps_all_parts_of_a_piece_together(tower):
    corpus = tower()
    rows = np.array([row(corpus, "silent"), row(corpus, "long")])
    few = corpus.select(rows)
    assert few.pieces.tolist() == ["tower:silent", "tower:long"]
    assert spans_of(few, "long") == spans_of(corpus, "long")
    assert few.chroma.n_rows.tolist() == [0, 2]
    assert few.notes.n_notes.tolist() == [0, 12]
    assert few.strata == [(), ("loud", "early")]
    assert few.variant_keys == [corpus.variant_keys[i] for i in rows]
    np.testing.assert_array_equal(few.truth, corpus.truth[rows])
    # Problems of pieces that are not among them go; what is left out anyhow stays told.
    kinds = sorted((problem.piece, problem.kind) for problem in few.problems)
    assert kinds == [("tower:keyless", LEFT_OUT), ("tower:silent", UNREADABLE), ("tower:torn", LEFT_OUT)]
    assert few.notes.feature(lambda table: table.n_notes).tolist() == [0, 12]


def test_pooling_keeps_chroma_only_if_all_have_it(tower):
    corpus = tower()
    mute = replace(corpus, id="mute", chroma=None)
    assert pool([corpus, corpus]).chroma.n_rows.tolist() == [*corpus.chroma.n_rows.tolist()] * 2
    assert pool([corpus, mute]).chroma is None
    assert pool([mute]).chroma is None


def test_pooling_adds_up_spans_strata_problems_and_what_is_missing(tower):
    corpus = replace(tower(), missing=["a"])
    quarter = replace(corpus, id="quay", notes=replace(corpus.notes, unit="quarter"), missing=["b", "c"])
    both = pool([corpus, quarter])
    assert both.notes.unit == "mixed"
    assert pool([corpus, corpus]).notes.unit == "second"
    assert both.missing == ["a", "b", "c"]
    assert both.strata == corpus.strata * 2
    assert len(both.problems) == 2 * len(corpus.problems)
    assert both.spans.n_rows.tolist() == corpus.spans.n_rows.tolist() * 2
    assert both.mode.tolist() == corpus.mode.tolist() * 2
    assert both.content_hash != corpus.content_hash


# --- Counts for manifests --------------------------------------------------------------------------------------------


def test_counts_by_hand(tower):
    assert pin.counts(tower()) == {
        "pieces": 7,
        "labelled": 5,
        "with_local_keys": 2,
        "modes": {"major": 3, "minor": 1, "not given": 1},
    }


def test_pinning_writes_what_was_measured(tower, tmp_path):
    path = tmp_path / "tower.toml"
    path.write_text(MANIFEST.replace('files = ["*.bell"]', 'files = ["*.bell"]\nhashes = "bells.sha256"'))
    pin.pin(path)
    manifest = read_manifest(str(path))
    assert (manifest.pieces, manifest.labelled, manifest.with_local_keys, manifest.at_origin) == (7, 5, 2, 99)
    assert manifest.modes == {"major": 3, "minor": 1, "not given": 1}
    lines = (tmp_path / "bells.sha256").read_text().splitlines()
    assert len(lines) == 7
    digest = hashlib.sha256((tmp_path / "bells" / "home.bell").read_bytes()).hexdigest()
    assert f"{digest}  home.bell" in lines
    before = path.read_text()
    pin.pin(path)
    assert path.read_text() == before
    assert tower().missing == []
