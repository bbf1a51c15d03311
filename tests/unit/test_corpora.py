"""Corpora from files of our own: labels, ids, problems, the cache, manifests, groups and folds.

Sources are the package's own contract (its docstrings and manifests) unless a line names another.
"""

import re
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.corpora import load, loading, manifest_names, pool, read_manifest
from keybench.corpora.assemble import read_files
from keybench.corpora.grouping import OPENING_NOTES, deal_folds, group, opening_key, title_key
from keybench.corpora.manifest import MODE_NOT_GIVEN
from keybench.errors import CorpusMissingError, ManifestError
from keybench.key import MODES
from keybench.notes import Piece

MANIFEST = """
schema = 2
id = "harbour"
revision = 1
headline = true
title = "Harbour tunes of our own"
good_for = "Tests."
licence = "CC0-1.0"
licence_note = "None."
commercial_use = "allowed"
derived_use = "allowed"
citation = "@misc{harbour, title = {Harbour tunes of our own}}"
known_faults = []
group_by = ["title", "opening"]

[origin]
kind = "package"
package = "harbour_tunes"
version = "1.0"
folder = "tunes"
files = ["*.abc"]
hashes = ""
install = "pip install harbour-tunes"

[reader]
format = "abc"

[labels]
space = "modes"
trust = "notated"
policy = "As written."

[labels.accept]
minor = ["minor", "dorian"]

[counts]
pieces = 2
labelled = 2
modes = { major = 1, minor = 1 }
"""


def abc(number, key="K:G", body="GABc|", title="Harbour lamp reel"):
    return f"X:{number}\nT:{title}\nM:4/4\nL:1/4\n{key}\n{body}\n\n"


@pytest.fixture
def manifest(tmp_path):
    path = tmp_path / "harbour.toml"
    path.write_text(MANIFEST)
    return read_manifest(str(path))


@pytest.fixture
def package(tmp_path, monkeypatch):
    """A package on the path that carries two tunes, its manifest, and a cache of its own; returns the tune folder."""
    folder = tmp_path / "site" / "harbour_tunes" / "tunes"
    folder.mkdir(parents=True)
    # Finding the files must not run the package.
    (folder.parent / "__init__.py").write_text("raise RuntimeError('imported')\n")
    (folder / "one.abc").write_text(abc(1) + abc(2, "K:Am", "ABcd|", "Lamp by the quay"))
    (tmp_path / "harbour.toml").write_text(MANIFEST)
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    monkeypatch.setenv("KEYBENCH_CACHE", str(tmp_path / "cache"))
    yield folder
    assert "harbour_tunes" not in sys.modules


def load_harbour(tmp_path):
    return load(str(tmp_path / "harbour.toml"))


def files(*texts):
    return {f"book{i}.abc": text if isinstance(text, bytes) else text.encode() for i, text in enumerate(texts)}


def reasons(corpus):
    return {problem.piece: problem for problem in corpus.problems}


def equal(one, other):
    arrays = ("pieces", "truth", "tonic", "mode", "corpus")
    plain = ("id", "manifest_hash", "content_hash", "chroma", "variant_keys", "strata", "problems", "missing")
    return (
        len(one) > 0
        and all(
            np.array_equal(getattr(getattr(one, table), name), getattr(getattr(other, table), name))
            for table in ("notes", "spans")
            for name in (*getattr(one, table).COLUMNS, "offsets")
        )
        and one.notes.unit == other.notes.unit
        and all(np.array_equal(getattr(one, name), getattr(other, name)) for name in arrays)
        and all(getattr(one, name) == getattr(other, name) for name in plain)  # chroma: None, tunes have none
    )


def written_keys(corpus):
    """Key index of each label."""
    return (12 * corpus.mode + corpus.tonic).tolist()


# --- Reading ---------------------------------------------------------------------------------------------------------


def test_pieces_labels_and_notes(manifest):
    corpus = read_files(manifest, files(abc(1) + abc(2, "K:Ddor", "DEFG|"), abc(1, "K:Bb", "BAGF|")))
    assert corpus.pieces.tolist() == ["harbour:book0/1", "harbour:book0/2", "harbour:book1/1"]
    assert corpus.tonic.tolist() == [7, 2, 10]
    assert [MODES[mode] for mode in corpus.mode] == ["major", "dorian", "major"]
    assert corpus.notes.n_notes.tolist() == [4, 4, 4]
    assert corpus.notes[2].pitch.tolist() == [70, 69, 67, 65]
    assert corpus.corpus.tolist() == ["harbour"] * 3
    assert corpus.spans.n_rows.tolist() == [0, 0, 0]
    assert (corpus.chroma, corpus.strata) == (None, [(), (), ()])
    assert corpus.problems == []


@pytest.mark.parametrize("key", ["K:Hp", "K:Gwobbly", "K:none"])
def test_an_unknown_mode_leaves_the_piece_out(manifest, key):
    corpus = read_files(manifest, files(abc(1) + abc(2, key) + abc(3)))
    assert corpus.pieces.tolist() == ["harbour:book0/1", "harbour:book0/3"]
    (problem,) = corpus.problems
    assert problem.piece == "harbour:book0/2"
    assert (problem.kind, problem.scored) == ("left out", False)
    assert problem.reason.startswith("harbour:book0/2 (book0.abc): ")
    assert key[2:] in problem.reason
    assert "accepted:" in problem.reason
    assert "mixolydian" in problem.reason
    assert "\n" not in problem.reason
    assert corpus.read_errors == {}


def test_a_tune_without_a_key_line_is_left_out(manifest):
    corpus = read_files(manifest, files("X:1\nT:Harbour lamp reel\nGABc|\n\n" + abc(2)))
    assert corpus.pieces.tolist() == ["harbour:book0/2"]
    assert "no K: field" in reasons(corpus)["harbour:book0/1"].reason


@pytest.mark.parametrize("body", ["", "z4|", "\x00\x01\x02"])
def test_a_labelled_tune_without_notes_stays_and_is_scored(manifest, body):
    corpus = read_files(manifest, files(abc(1) + abc(2, "K:D", body) + abc(3)))
    assert len(corpus) == 3
    assert corpus.notes.n_notes.tolist() == [4, 0, 4]
    assert written_keys(corpus)[1] == 2
    assert corpus.truth[1, 2]
    (problem,) = corpus.problems
    assert (problem.kind, problem.scored) == ("unreadable", True)
    assert "accepted:" in problem.reason
    assert corpus.read_errors == {"harbour:book0/2": problem.reason}


@pytest.mark.parametrize("content", [b"", b"\n\n", b"words only\n", b"\x00\xff\xfe"])
def test_a_file_without_a_tune_is_reported(manifest, content):
    corpus = read_files(manifest, files(content, abc(1)))
    assert corpus.pieces.tolist() == ["harbour:book1/1"]
    (problem,) = corpus.problems
    assert problem.piece == "harbour:book0.abc"
    assert (problem.kind, problem.scored) == ("left out", False)
    assert "accepted: ABC tunes that start with X:" in problem.reason


def test_no_files_make_an_empty_corpus(manifest):
    corpus = read_files(manifest, {})
    assert len(corpus) == 0
    assert corpus.truth.shape == (0, 84)


def test_repeated_numbers_give_unique_ids(manifest):
    corpus = read_files(manifest, files(abc(7) + abc(7) + abc("") + abc(7) + abc("")))
    names = ["7", "7.2", "?", "7.3", "?.2"]
    assert corpus.pieces.tolist() == [f"harbour:book0/{name}" for name in names]


def test_a_latin_1_file_reads(manifest):
    text = abc(1, title="Été au phare") + abc(2, "K:D", "DEFG|")
    latin, utf8 = (read_files(manifest, files(text.encode(encoding))) for encoding in ("latin-1", "utf-8"))
    assert latin.problems == []
    assert latin.pieces.tolist() == ["harbour:book0/1", "harbour:book0/2"]
    assert latin.variant_keys == utf8.variant_keys
    assert np.array_equal(latin.notes.pitch, utf8.notes.pitch)
    assert latin.content_hash != utf8.content_hash


def test_progress_counts_every_tune(manifest):
    steps = []
    read_files(manifest, files("".join(abc(i) for i in range(150))), progress=steps.append)
    assert sum(steps) == 150
    assert len(steps) > 1


def test_two_processes_read_the_same(manifest):
    given_files = files("".join(abc(i, "K:Gdor" if i % 2 else "K:wobbly") for i in range(200)))
    one, two = (read_files(manifest, given_files, n_jobs=n) for n in (1, 2))
    assert equal(one, two)


# --- Label policy ----------------------------------------------------------------------------------------------------

POLICY = [
    ("oneill", "K:Am", ["minor", "dorian"]),
    ("oneill", "K:Aminor", ["minor", "dorian"]),
    ("oneill", "K:Ador", ["dorian"]),
    ("oneill", "K:A", ["major"]),
    ("aird", "K:Am", ["minor"]),
    ("ryan", "K:Am", ["minor"]),
]


@pytest.mark.parametrize(("name", "key", "modes"), POLICY)
def test_label_policy(name, key, modes):
    # Source: the shipped manifests.
    corpus = read_files(read_manifest(name), files(abc(1, key)))
    accepted = {(index % 12, MODES[index // 12]) for index in np.flatnonzero(corpus.truth[0])}
    assert accepted == {(9, mode) for mode in modes}
    assert corpus.truth[0, written_keys(corpus)[0]]


# --- Cache -----------------------------------------------------------------------------------------------------------


def caches(tmp_path):
    return sorted((tmp_path / "cache").rglob("*.npz"))


def test_cache_is_written_and_used(package, tmp_path, monkeypatch):
    first = load_harbour(tmp_path)
    assert first.pieces.tolist() == ["harbour:one/1", "harbour:one/2"]
    assert len(caches(tmp_path)) == 1
    monkeypatch.setattr(loading, "read_files", lambda *_: pytest.fail("read again in spite of the cache"))
    assert equal(load_harbour(tmp_path), first)


def test_cache_keeps_problems(package, tmp_path):
    (package / "two.abc").write_text(abc(1, "K:Hp") + abc(2, "K:D", ""))
    first = load_harbour(tmp_path)
    assert [problem.scored for problem in first.problems] == [False, True]
    assert equal(load_harbour(tmp_path), first)


def flip_bytes(data):
    return data[:200] + bytes(255 - byte for byte in data[200:400]) + data[400:]


DAMAGE = {
    "empty": lambda data: b"",
    "truncated": lambda data: data[: len(data) // 2],
    "cut short": lambda data: data[:-10],
    "rubbish": lambda data: bytes(range(256)) * 4,
    "text": lambda data: b"not a cache\n",
    "bytes flipped": flip_bytes,
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_a_damaged_cache_is_made_again(package, tmp_path, damage):
    first = load_harbour(tmp_path)
    (path,) = caches(tmp_path)
    whole = path.read_bytes()
    path.write_bytes(damage(whole))
    assert path.read_bytes() != whole
    assert equal(load_harbour(tmp_path), first)
    assert len(path.read_bytes()) == len(whole)


EVERY_ARRAY = {
    *(f"notes.{name}" for name in ("onset", "duration", "pitch", "part", "accent", "offsets")),
    *(f"spans.{name}" for name in ("start", "end", "tonic", "mode", "offsets")),
    *("unit", "pieces", "truth", "tonic", "mode", "variant_keys", "strata", "problems"),
}


@pytest.mark.parametrize("left_out", sorted(EVERY_ARRAY))
def test_a_cache_that_lacks_a_column_is_made_again(package, tmp_path, left_out):
    first = load_harbour(tmp_path)
    (path,) = caches(tmp_path)
    with np.load(path) as file:
        columns = {name: file[name] for name in file.files}
    assert set(columns) == EVERY_ARRAY
    del columns[left_out]
    np.savez(path, **columns)
    assert equal(load_harbour(tmp_path), first)


def test_changed_content_is_another_cache(package, tmp_path):
    first = load_harbour(tmp_path)
    (package / "one.abc").write_text(abc(1, "K:D", "DEFG|"))
    second = load_harbour(tmp_path)
    assert len(caches(tmp_path)) == 2
    assert second.notes.pitch.tolist() == [62, 64, 66, 67]
    assert first.content_hash != second.content_hash


def test_changed_manifest_is_another_cache(package, tmp_path):
    first = load_harbour(tmp_path)
    assert first.truth.sum(axis=1).tolist() == [1, 2]
    path = tmp_path / "harbour.toml"
    path.write_text(MANIFEST.replace('minor = ["minor", "dorian"]', 'minor = ["minor"]'))
    second = load_harbour(tmp_path)
    assert len(caches(tmp_path)) == 2
    assert second.truth.sum(axis=1).tolist() == [1, 1]
    assert first.manifest_hash != second.manifest_hash


def test_a_cache_folder_that_cannot_be_written_does_no_harm(package, tmp_path, monkeypatch):
    (tmp_path / "taken").write_text("a file where a folder should be")
    monkeypatch.setenv("KEYBENCH_CACHE", str(tmp_path / "taken"))
    assert len(load_harbour(tmp_path)) == 2


# --- Packages and manifests ------------------------------------------------------------------------------------------


def test_missing_package_names_the_command(tmp_path):
    (tmp_path / "harbour.toml").write_text(MANIFEST)
    with pytest.raises(CorpusMissingError) as caught:
        load_harbour(tmp_path)
    message = str(caught.value)
    assert "pip install harbour-tunes" in message
    assert "'harbour'" in message
    assert "\n" not in message


def test_package_without_the_folder_names_the_command(package, tmp_path):
    (package / "one.abc").unlink()
    with pytest.raises(CorpusMissingError, match=r"holds no .*pip install harbour-tunes"):
        load_harbour(tmp_path)


def test_a_folder_beside_the_manifest(tmp_path, monkeypatch):
    monkeypatch.setenv("KEYBENCH_CACHE", str(tmp_path / "cache"))
    text = re.sub(r"(?m)^(package|version|install) = .*\n", "", MANIFEST).replace('"package"', '"folder"')
    (tmp_path / "harbour.toml").write_text(text)
    with pytest.raises(CorpusMissingError, match=r"tunes is not there; put its files there"):
        load_harbour(tmp_path)
    (tmp_path / "tunes").mkdir()
    with pytest.raises(CorpusMissingError, match=r"holds no \*\.abc; put its files there"):
        load_harbour(tmp_path)
    (tmp_path / "tunes" / "one.abc").write_text(abc(1))
    assert load_harbour(tmp_path).pieces.tolist() == ["harbour:one/1"]


def test_shipped_manifests_read():
    assert {"aird", "oneill", "ryan"} <= set(manifest_names())
    for name in manifest_names():
        manifest = read_manifest(name)
        assert manifest.id == name
        assert sum(manifest.modes.values()) == manifest.labelled <= manifest.pieces
        assert set(manifest.modes) <= {*MODES, MODE_NOT_GIVEN}


WRONG = [
    ("missing field", 'title = "Harbour tunes of our own"\n', "", "'title' is missing"),
    ("missing table", '[reader]\nformat = "abc"\n', "", "'reader' is missing"),
    ("unknown field", "revision = 1", "revision = 1\nrevison = 2", "unknown field 'revison'"),
    ("unknown field in a table", 'format = "abc"', 'format = "abc"\nspeed = 3', "unknown field 'speed'"),
    ("other schema", "schema = 2", "schema = 1", "'schema' holds 1; accepted: 2"),
    ("wrong kind of value", "revision = 1", 'revision = "one"', "'revision' is 'one'; accepted: a whole number"),
    ("truth value for a number", "revision = 1", "revision = true", "'revision' is True"),
    ("unknown format", 'format = "abc"', 'format = "xyz"', "'format' holds 'xyz'; accepted: abc"),
    ("unknown trust", 'trust = "notated"', 'trust = "blind"', "'trust' holds 'blind'; accepted: expert"),
    ("unknown label space", 'space = "modes"', 'space = "ragas"', "'space' holds 'ragas'; accepted: tonic"),
    ("unknown origin", 'kind = "package"', 'kind = "tape"', "'kind' holds 'tape'; accepted: package"),
    ("bad written mode", "minor = [", "sad = [", "'sad'"),
    ("bad accepted mode", '["minor", "dorian"]', '["minor", "sad"]', "accepted: mode names"),
    ("no accepted mode", '["minor", "dorian"]', "[]", "accepted: mode names"),
    ("accepted mode as text", '["minor", "dorian"]', '"minor"', "accepted: mode names"),
    ("folder above the package", 'folder = "tunes"', 'folder = "../tunes"', "points outside"),
    ("absolute folder", 'folder = "tunes"', 'folder = "/tunes"', "points outside"),
    ("not TOML", "schema = 2", "schema = = 2", "not valid TOML"),
    ("table where text belongs", 'licence = "CC0-1.0"', "licence = { a = 1 }", "accepted: text"),
    (
        "number where a table belongs",
        "modes = { major = 1, minor = 1 }",
        "modes = 2",
        "'modes' is 2; accepted: a table",
    ),
]


def manifest_error(path):
    with pytest.raises(ManifestError) as caught:
        read_manifest(str(path))
    return str(caught.value)


@pytest.mark.parametrize(("old", "new", "words"), [row[1:] for row in WRONG], ids=[row[0] for row in WRONG])
def test_manifest_errors_are_one_clear_line(tmp_path, old, new, words):
    assert MANIFEST.count(old) == 1
    path = tmp_path / "harbour.toml"
    path.write_text(MANIFEST.replace(old, new))
    message = manifest_error(path)
    assert "harbour.toml" in message
    assert words in message
    assert "\n" not in message


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"", "the file is empty"), (b"# words\n", "the file is empty"), (b"\x00\xff\xfe\x80", "not valid TOML")],
)
def test_manifest_files_that_hold_none(tmp_path, content, words):
    path = tmp_path / "harbour.toml"
    path.write_bytes(content)
    message = manifest_error(path)
    assert words in message
    assert "\n" not in message


def test_manifest_files_that_are_not_there(tmp_path):
    assert "no such file" in manifest_error(tmp_path / "nowhere.toml")
    folder = tmp_path / "folder.toml"
    folder.mkdir()
    assert "cannot be read" in manifest_error(folder)


def test_unknown_corpus_names_those_that_exist():
    with pytest.raises(ManifestError, match=r"unknown corpus 'harbour'; accepted: .*aird.*oneill.*ryan"):
        read_manifest("harbour")


# Slips that show when the manifest is read, or only when its files are looked for.
FAULTS = [
    ("count of an unknown mode", "{ major = 1, minor = 1 }", "{ major = 1, sad = 1 }"),
    ("count that is text", "{ major = 1, minor = 1 }", '{ major = "one" }'),
    ("lists inside the accepted modes", '["minor", "dorian"]', '[["minor"]]'),
    ("package inside one that is absent", '"harbour_tunes"', '"harbour_tunes_absent.more"'),
    ("file pattern from the root", '["*.abc"]', '["/*.abc"]'),
    ("no file pattern", '["*.abc"]', '[""]'),
    ("no file patterns", '["*.abc"]', "[]"),
    ("file pattern as text", '["*.abc"]', '"*.abc"'),
    ("file pattern above the folder", '["*.abc"]', '["../*.abc"]'),
]


@pytest.mark.parametrize(("old", "new"), [row[1:] for row in FAULTS], ids=[row[0] for row in FAULTS])
def test_manifest_slips_are_one_clear_line(package, tmp_path, old, new):
    assert MANIFEST.count(old) == 1
    (package.parent / "above.abc").write_text(abc(1))
    (tmp_path / "harbour.toml").write_text(MANIFEST.replace(old, new))
    with pytest.raises((ManifestError, CorpusMissingError)) as caught:
        load_harbour(tmp_path)
    assert "\n" not in str(caught.value)


# --- Heads and pools -------------------------------------------------------------------------------------------------


def test_head_keeps_rows_together(manifest):
    text = "".join(abc(i, f"K:{'CDEFGAB'[i % 7]}", "" if i % 5 == 0 else "CDEF|") for i in range(30))
    corpus = read_files(manifest, files(text))
    few = corpus.head(8)
    assert len(few) == 8
    for row, piece in enumerate(few.pieces):
        whole = corpus.pieces.tolist().index(piece)
        assert written_keys(few)[row] == written_keys(corpus)[whole]
        assert np.array_equal(few.truth[row], corpus.truth[whole])
        assert few.variant_keys[row] == corpus.variant_keys[whole]
        assert np.array_equal(few.notes[row].pitch, corpus.notes[whole].pitch)
    assert set(few.read_errors) == set(corpus.read_errors) & set(few.pieces)
    assert corpus.head(None) is corpus
    assert corpus.head(30) is corpus


def test_pool_puts_piece_after_piece(manifest):
    one = read_files(manifest, files(abc(1) + abc(2, "K:Hp")))
    two = read_files(replace(manifest, id="quay"), files(abc(1, "K:D", "DEFG|")))
    both = pool([one, two])
    assert both.id == "harbour+quay"
    assert both.pieces.tolist() == ["harbour:book0/1", "quay:book0/1"]
    assert both.corpus.tolist() == ["harbour", "quay"]
    assert both.notes.pitch.tolist() == [*one.notes.pitch, *two.notes.pitch]
    assert both.problems == one.problems
    assert group(both.variant_keys).tolist() == [0, 0]  # they share a title


# --- Groups and folds ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("The Harbour Lamp", "Harbour lamp, The"),
        ("A Harbour Lamp", "harbour LAMP"),
        ("Harbour-Lamp", "Harbour Lamp."),
        ("An Oar", "Oar, An"),
    ],
)
def test_titles_that_are_the_same(one, other):
    assert title_key(one) == title_key(other) != ""


def test_titles_that_are_not_the_same():
    assert title_key("Harbour lamp") != title_key("Harbour lamps")
    assert title_key("Theatre") == "title:theatre"
    assert title_key("...") == title_key("") == ""


def piece_of(pitches):
    zeros = np.zeros(len(pitches))
    return Piece(zeros, zeros, np.array(pitches, dtype=float))


def test_openings_count_from_the_tonic():
    pitches = [60 + step for step in [0, 2, 4, 5, 7, 9, 11, 12] * 4]
    key = opening_key(piece_of(pitches), 0)
    assert key.startswith("opening:0.2.4.5")
    assert opening_key(piece_of([pitch + 5 for pitch in pitches]), 5) == key
    assert opening_key(piece_of([*pitches[:OPENING_NOTES], 1, 2, 3]), 0) == key
    assert opening_key(piece_of([61, *pitches[1:]]), 0) != key
    assert opening_key(piece_of(pitches[: OPENING_NOTES // 2 - 1]), 0) == ""


def merged_by_hand(variant_keys):
    """Reference: merge overlapping sets until none overlap (brute force)."""
    clusters = [({i}, set(keys)) for i, keys in enumerate(variant_keys)]
    merged = True
    while merged:
        merged = False
        for a in range(len(clusters)):
            for b in range(a + 1, len(clusters)):
                if clusters[a][1] & clusters[b][1]:
                    clusters[a] = (clusters[a][0] | clusters[b][0], clusters[a][1] | clusters[b][1])
                    del clusters[b]
                    merged = True
                    break
            if merged:
                break
    return {frozenset(members) for members, _ in clusters}


KEYS = st.lists(st.lists(st.sampled_from("abcdefghijkl"), max_size=3), min_size=1, max_size=14)


@settings(max_examples=150, deadline=None)
@given(KEYS)
def test_groups_are_the_connected_components(variant_keys):
    numbers = group(variant_keys)
    assert len(numbers) == len(variant_keys)
    found = {frozenset(np.flatnonzero(numbers == number).tolist()) for number in set(numbers.tolist())}
    assert found == merged_by_hand(variant_keys)
    # Numbered from 0 in order of first appearance.
    assert list(dict.fromkeys(numbers.tolist())) == list(range(numbers.max() + 1))


def test_groups_chain_and_stand_alone():
    assert group([("a",), ("b",), ("a", "b"), (), ("c",), ()]).tolist() == [0, 0, 0, 1, 2, 3]
    assert len(group([])) == 0


GROUPS = st.lists(st.integers(0, 15), min_size=1, max_size=80).map(lambda g: np.unique(g, return_inverse=True)[1])


@settings(max_examples=150, deadline=None)
@given(GROUPS, st.integers(2, 6), st.integers(0, 3))
def test_folds_keep_groups_whole_and_balanced(groups, n_folds, seed):
    folds = deal_folds(groups, n_folds, seed)
    assert folds.shape == groups.shape
    assert set(folds.tolist()) <= set(range(n_folds))
    for number in set(groups.tolist()):
        assert len(set(folds[groups == number].tolist())) == 1
    # Dealing to the emptiest fold never leaves two folds further apart than the largest group.
    sizes = np.bincount(folds, minlength=n_folds)
    assert sizes.max() - sizes.min() <= np.bincount(groups).max()
    assert np.array_equal(deal_folds(groups, n_folds, seed), folds)


def test_the_seed_matters_and_single_pieces_deal_evenly():
    groups = np.arange(100)
    folds = deal_folds(groups, 5, 0)
    assert np.bincount(folds).tolist() == [20] * 5
    assert not np.array_equal(folds, deal_folds(groups, 5, 1))


def test_hashes_are_full_sha256(manifest):
    corpus = read_files(manifest, files(abc(1)))
    for value in (corpus.content_hash, corpus.manifest_hash):
        assert re.fullmatch(r"[0-9a-f]{64}", value)
