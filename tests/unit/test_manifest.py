"""Manifests: every field that a shipped one has is needed and checked; a reader's own folder needs two.

The fields and what they accept are this package's own; where a check goes by an outside rule, it is named there.
"""

import copy
import json
import os
import tomllib

import numpy as np
import pytest

from keybench.corpora import load, manifest_names, read_manifest
from keybench.errors import CorpusMissingError, ManifestError
from keybench.key import DORIAN, MAJOR, MINOR, N_MODES, NO_MODE
from keybench.resources import shipped

TUNES = "X:1\nT:Lamp by the quay\nL:1/4\nK:Ador\nABcd|\n\nX:2\nT:Harbour reel\nL:1/4\nK:G\nGABc|\n"


def toml(value):
    """Write a value as TOML; its strings are those of JSON, and tables may stand in one line."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(k)} = {toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def write(path, table):
    path.write_text("".join(f"{json.dumps(k)} = {toml(v)}\n" for k, v in table.items()), encoding="utf-8")
    return str(path)


def refused(tmp_path, table, *words):
    """Check that a table is refused in one line that names the file and holds the words."""
    path = write(tmp_path / "harbour.toml", table)
    with pytest.raises(ManifestError) as caught:
        read_manifest(path)
    message = str(caught.value)
    assert message.startswith("harbour.toml")
    assert "\n" not in message
    for word in words:
        assert word in message, message
    return message


def at(table, field):
    """The table that holds a field given as ("reader", "format") or ("id",)."""
    return table if len(field) == 1 else table[field[0]]


def without(table, field):
    table = copy.deepcopy(table)
    del at(table, field)[field[-1]]
    return table


def changed(table, field, value):
    table = copy.deepcopy(table)
    at(table, field)[field[-1]] = value
    return table


def dotted(field):
    return ".".join(field)


def fields_of(table):
    """All fields, tables among them, and those inside tables."""
    return [(k,) for k in table] + [(k, inner) for k, v in table.items() if isinstance(v, dict) for inner in v]


ORIGINS = {
    "package": {"package": "harbour_tunes", "version": "1.0", "folder": "tunes", "files": ["*.abc"],
                "hashes": "hashes/harbour.sha256", "install": "pip install harbour-tunes"},
    "git": {"repository": "https://example.org/harbour.git", "commit": "0123456789abcdef" * 2 + "01234567",
            "checkout": ["tunes"], "folder": "harbour", "files": ["tunes/*.abc"], "hashes": "harbour.sha256"},
    "download": {"url": "https://example.org/harbour.zip", "sha256": "0123456789abcdef" * 4, "folder": "harbour",
                 "files": ["*.abc"], "hashes": "harbour.sha256"},
    "folder": {"folder": "tunes", "files": ["*.abc", "more/*.abc"], "hashes": ""},
    "generated": {"seed": 3},
}  # fmt: skip

COMPLETE = {
    "schema": 2,
    "id": "harbour",
    "revision": 1,
    "headline": False,
    "title": "Harbour tunes of our own",
    "good_for": "Tests.",
    "licence": "CC0-1.0",
    "licence_note": "None.",
    "commercial_use": "allowed",
    "derived_use": "same licence",
    "citation": "@misc{harbour, title = {Harbour tunes}}",
    "known_faults": ["The quay is missing."],
    "group_by": ["title", "opening", "work", "composer", "piece"],
    "origin": {"kind": "package", **ORIGINS["package"]},
    "companion": {"kind": "git", **ORIGINS["git"]},
    "reader": {"format": "abc", "transpose": "random"},
    "labels": {"space": "modes", "trust": "derived", "policy": "As written.", "accept": {"minor": ["minor", "dorian"]}},
    "counts": {"pieces": 5, "labelled": 3, "with_local_keys": 2, "at_origin": 7,
               "modes": {"major": 1, "minor": 1, "not given": 1}},
}  # fmt: skip


MIDI = {**COMPLETE, "reader": {"format": "midi", "annotation_tracks": [0, 2]}}
"""A complete one in a format with a field of its own."""


def with_origin(kind):
    return changed(COMPLETE, ("origin",), {"kind": kind, **ORIGINS[kind]})


# --- What a manifest says comes out as it went in --------------------------------------------------------------------


def test_everything_that_is_stated_is_kept(tmp_path):
    m = read_manifest(write(tmp_path / "harbour.toml", COMPLETE))
    for name in ("id", "revision", "headline", "title", "good_for", "licence", "licence_note", "commercial_use",
                 "derived_use", "citation"):  # fmt: skip
        assert getattr(m, name) == COMPLETE[name], name
    assert m.known_faults == ("The quay is missing.",)
    assert m.group_by == ("title", "opening", "work", "composer", "piece")
    assert (m.format, m.transpose) == ("abc", "random")
    assert (m.label_space, m.trust, m.policy) == ("modes", "derived", "As written.")
    assert m.accept == {"minor": ("minor", "dorian")}
    assert (m.pieces, m.labelled, m.with_local_keys, m.at_origin) == (5, 3, 2, 7)
    assert m.modes == {"major": 1, "minor": 1, "not given": 1}
    assert m.base == tmp_path.resolve()
    assert not m.own
    for origin, kind in ((m.origin, "package"), (m.companion, "git")):
        assert origin.kind == kind
        for name, value in ORIGINS[kind].items():
            assert getattr(origin, name) == (tuple(value) if isinstance(value, list) else value), name


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("package", "package harbour_tunes 1.0"),
        ("git", "https://example.org/harbour.git at 0123456789ab"),
        ("download", "https://example.org/harbour.zip (SHA-256 0123456789ab)"),
        ("folder", "folder tunes"),
        ("generated", "generated by keybench with seed 3"),
    ],
)
def test_every_origin_says_its_state_in_words(tmp_path, kind, words):
    m = read_manifest(write(tmp_path / "harbour.toml", with_origin(kind)))
    assert m.origin.state == words
    assert m.own == (kind == "folder")


def test_a_written_mode_stands_for_what_the_policy_says(tmp_path):
    m = read_manifest(write(tmp_path / "harbour.toml", COMPLETE))
    assert [(key.tonic, key.mode) for key in m.accepted_keys(9, MINOR)] == [(9, MINOR), (9, DORIAN)]
    assert [(key.tonic, key.mode) for key in m.accepted_keys(9, MAJOR)] == [(9, MAJOR)]
    assert [(key.tonic, key.mode) for key in m.accepted_keys(4, NO_MODE)] == [(4, mode) for mode in range(N_MODES)]
    m = read_manifest(write(tmp_path / "harbour.toml", changed(COMPLETE, ("labels", "space"), "tonic")))
    assert [(key.tonic, key.mode) for key in m.accepted_keys(9, MINOR)] == [(9, mode) for mode in range(N_MODES)]


# --- Missing fields --------------------------------------------------------------------------------------------------

OPTIONAL = {
    ("companion",): ("companion", None),
    ("reader", "transpose"): ("transpose", "none"),
    ("reader", "annotation_tracks"): ("annotation_tracks", ()),
    ("labels", "accept"): ("accept", {}),
    ("counts", "with_local_keys"): ("with_local_keys", 0),
    ("counts", "at_origin"): ("at_origin", "pieces"),
}
"""Fields that may be left out of any manifest: what of a `Manifest` then has which value."""

SHIPPED = {name: tomllib.loads((shipped("datasets_manifest") / f"{name}.toml").read_text(encoding="utf-8"))
           for name in manifest_names()}  # fmt: skip
NEEDED = [
    pytest.param(table, field, id=f"{name}-{'.'.join(field)}")
    for name, table in {**SHIPPED, "complete": COMPLETE, **{kind: with_origin(kind) for kind in ORIGINS}}.items()
    for field in fields_of(table)
    if field not in OPTIONAL and name != "folder"
]


@pytest.mark.parametrize(("table", "field"), NEEDED)
def test_every_field_that_a_manifest_has_is_needed(tmp_path, table, field):
    message = refused(tmp_path, without(table, field))
    if field[-1] == "kind":  # without it the origin is taken for a folder, where the other fields have no place
        assert f"[{field[0]}]" in message
    else:
        assert f"field {field[-1]!r} is missing; accepted: " in message
        assert len(field) == 1 or f"[{field[0]}]" in message


@pytest.mark.parametrize(("field", "default"), OPTIONAL.items(), ids=map(".".join, OPTIONAL))
def test_a_few_fields_may_be_left_out(tmp_path, field, default):
    name, value = default
    table = MIDI if name == "annotation_tracks" else COMPLETE
    m = read_manifest(write(tmp_path / "harbour.toml", without(table, field)))
    assert getattr(m, name) == (m.pieces if value == "pieces" else value)
    assert getattr(read_manifest(write(tmp_path / "harbour.toml", table)), name) != getattr(m, name)


LEAST = [("origin",), ("origin", "folder"), ("reader",), ("reader", "format")]


@pytest.mark.parametrize(
    "field",
    [f for f in fields_of(with_origin("folder")) if f not in LEAST and not (f[0] == "companion" and len(f) == 2)],
    ids=dotted,
)
def test_a_folder_of_ones_own_may_leave_out_all_but_folder_and_format(tmp_path, field):
    read_manifest(write(tmp_path / "harbour.toml", without(with_origin("folder"), field)))


@pytest.mark.parametrize("field", LEAST, ids=dotted)
def test_a_folder_of_ones_own_needs_folder_and_format(tmp_path, field):
    refused(tmp_path, without(with_origin("folder"), field), f"field {field[-1]!r} is missing")


@pytest.mark.parametrize("name", ORIGINS["git"])
def test_a_companion_that_is_given_is_given_whole(tmp_path, name):
    refused(tmp_path, without(with_origin("folder"), ("companion", name)), f"[companion]: field {name!r} is missing")


# --- Wrong kinds and values ------------------------------------------------------------------------------------------

OF_ANOTHER_KIND = {
    bool: [1, "true", []],
    int: ["one", 1.5, True, []],
    str: [7, True, ["a"], {"a": 1}],
    list: ["*.abc", 3, {"a": 1}],
    dict: ["text", 2, ["a"]],
}
WRONG_KIND = [
    pytest.param(table, field, value, id=f"{kind}-{'.'.join(field)}-{value!r}")
    for kind, table in (("complete", COMPLETE), *((kind, with_origin(kind)) for kind in ORIGINS))
    for field in fields_of(table)
    if kind == "complete" or field[0] == "origin"
    for value in OF_ANOTHER_KIND[type(at(table, field)[field[-1]])]
]


@pytest.mark.parametrize(("table", "field", "value"), WRONG_KIND)
def test_values_of_another_kind(tmp_path, table, field, value):
    message = refused(tmp_path, changed(table, field, value), repr(field[-1]), "accepted: ")
    assert len(field) == 1 or f"[{field[0]}]" in message


WRONG_VALUES = [
    (("schema",), [0, 1, 3], "accepted: 2"),
    (("id",), ["Harbour", "", "all", "../quay", "a" * 65, "-quay", "<b>", "quay\n"], "accepted: small letters"),
    (("commercial_use",), ["yes", ""], "accepted: allowed, forbidden, not stated"),
    (("derived_use",), ["share-alike", ""], "accepted: allowed, same licence, forbidden, not stated"),
    (("known_faults",), [[1], [["a"]], ["a", 2.5]], "accepted: texts"),
    (("group_by",), [["tune"], [3], ["title", "TITLE"]], "accepted: title, opening, work, composer, piece"),
    (("origin", "kind"), ["tape", ""], "accepted: package, git, download, folder, generated"),
    (("companion", "kind"), ["tape"], "accepted: package, git, download, folder, generated"),
    (("companion", "commit"), ["main", "", "0" * 41, "012345g" * 5, "01234"], "hexadecimal digits"),
    (("companion", "checkout"), [[3], ["/tunes"], ["../tunes"], ["tunes", ".."]], "accepted: "),
    (("reader", "format"), ["xyz", "", "ABC", "base"], "accepted: abc"),
    (("reader", "transpose"), ["up", "2"], "accepted: none, random"),
    (("reader", "annotation_tracks"), [[-1], [True], ["bass"], [1.5]], "accepted: whole numbers from 0"),
    (("labels", "space"), ["ragas"], "accepted: tonic, major-minor, modes"),
    (("labels", "trust"), ["blind"], "accepted: expert, notated, derived, algorithmic"),
    (("labels", "accept"), [{"sad": ["minor"]}, {"minor": []}, {"minor": ["sad"]}, {"minor": "minor"},
                            {"minor": [["minor"]]}, {"minor": [3]}], "accepted: mode names"),
    (("counts", "pieces"), [-1, 10**10], "accepted: 0 or more"),
    (("counts", "labelled"), [-1, 10**10], "accepted: 0 or more"),
    (("counts", "with_local_keys"), [-1], "accepted: 0 or more"),
    (("counts", "at_origin"), [-1], "accepted: 0 or more"),
    (("counts", "modes"), [{"sad": 1}, {"major": -1}, {"major": True}, {"major": 1.5}, {"major": "one"},
                           {"notgiven": 1}], "accepted: whole numbers by major"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        pytest.param(field, value, words, id=f"{'.'.join(field)}-{str(value)[:20]!r}")
        for field, values, words in WRONG_VALUES
        for value in values
    ],
)
def test_values_that_are_not_accepted(tmp_path, field, value, words):
    table = MIDI if field[-1] == "annotation_tracks" else COMPLETE
    refused(tmp_path, changed(table, field, value), repr(field[-1]), words)


@pytest.mark.parametrize("digits", ["", "0" * 63, "0" * 65, "Z" * 64, "A" * 64])
def test_checksums_of_downloads(tmp_path, digits):
    table = changed(with_origin("download"), ("origin", "sha256"), digits)
    refused(tmp_path, table, "'sha256'", "accepted: 64 hexadecimal digits")


@pytest.mark.parametrize(
    "licence",
    ["", " ", "public domain", "CC-BY", "Creative Commons", "MIT AND", "MIT, GPL-3.0", "OR MIT", "(MIT", "MIT)",
     "LicenseRef-", "LicenseRef-a b", "MIT WITH nothing", "Noassertion-1.0", "GPL", "\u00a9 2020"],
)  # fmt: skip
def test_licences_that_are_no_spdx_expression(tmp_path, licence):
    # Source: SPDX specification 2.3, annex D (licence expressions) and the SPDX licence list.
    refused(tmp_path, changed(COMPLETE, ("licence",), licence), f"'licence' is {licence!r}", "accepted: an SPDX")


@pytest.mark.parametrize(
    ("licence", "canonical"),
    [
        ("cc0-1.0", "CC0-1.0"),
        ("Unlicense", "Unlicense"),
        ("CC-BY-NC-SA-4.0", "CC-BY-NC-SA-4.0"),
        ("mit or gpl-3.0-only", "MIT OR GPL-3.0-only"),
        ("CC-BY-4.0 AND (MIT OR Apache-2.0)", "CC-BY-4.0 AND (MIT OR Apache-2.0)"),
        ("LicenseRef-Harbour-only", "LicenseRef-Harbour-only"),
    ],
)
def test_licences_are_spdx_expressions(tmp_path, licence, canonical):
    # Source: SPDX specification 2.3, annex D: identifiers are matched without regard to case.
    m = read_manifest(write(tmp_path / "harbour.toml", changed(COMPLETE, ("licence",), licence)))
    assert m.licence == canonical


@pytest.mark.parametrize(
    "citation",
    ["", " ", "None.", "Lamp, A. (1903). Harbour tunes.", "misc{a, title = {b}}", "@", "@misc", "{a}"],
)
def test_citations_that_are_no_bibtex(tmp_path, citation):
    refused(tmp_path, changed(COMPLETE, ("citation",), citation), "'citation' is not BibTeX", "@misc")


def test_a_citation_may_begin_with_a_line_break(tmp_path):
    m = read_manifest(write(tmp_path / "harbour.toml", changed(COMPLETE, ("citation",), "\n@book {a,\n b = {c}}\n")))
    assert m.citation == "@book {a,\n b = {c}}"


# --- Paths -----------------------------------------------------------------------------------------------------------

LEADING_OUT = {
    "parent": "..",
    "above": "../tunes",
    "down and up": "tunes/../..",
    "absolute": "/tunes",
    "drive": "C:/tunes",
    "drive, relative": "C:tunes",
    "backslash": "..\\tunes",
    "network": "\\\\quay\\tunes",
    "NUL": "tunes\0",
    "line break": "tu\nnes",
    "empty step": "tunes//reels",
    "dot step": "tunes/./reels",
    "too long": "a" * 2000,
}


@pytest.mark.parametrize("path", LEADING_OUT.values(), ids=LEADING_OUT)
@pytest.mark.parametrize("kind", ["package", "git", "download", "folder"])
@pytest.mark.parametrize("name", ["folder", "files", "hashes"])
def test_paths_stay_inside(tmp_path, kind, name, path):
    table = changed(with_origin(kind), ("origin", name), [path] if name == "files" else path)
    refused(tmp_path, table, f"[origin]: field {name!r} is", "points outside its place or cannot be used", "accepted: ")


@pytest.mark.parametrize(("name", "value"), [("folder", ""), ("files", []), ("files", [""]), ("files", ["*.abc", 3])])
@pytest.mark.parametrize("kind", ["package", "git", "download", "folder"])
def test_a_folder_and_patterns_are_needed(tmp_path, kind, name, value):
    refused(tmp_path, changed(with_origin(kind), ("origin", name), value), "[origin]", "accepted: ")


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="this system has no symbolic links")
def test_a_link_must_not_lead_out_of_the_manifests_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("KEYBENCH_CACHE", str(tmp_path / "cache"))
    elsewhere, home = tmp_path / "elsewhere", tmp_path / "home"
    elsewhere.mkdir()
    home.mkdir()
    (elsewhere / "one.abc").write_text(TUNES)
    (home / "tunes").symlink_to(elsewhere, target_is_directory=True)
    path = write(home / "harbour.toml", {"origin": {"folder": "tunes"}, "reader": {"format": "abc"}})
    with pytest.raises(ManifestError, match="'tunes' leads outside the manifest's folder; accepted: ") as caught:
        load(path)
    assert "\n" not in str(caught.value)
    (home / "tunes").unlink()
    (home / "reels").mkdir()
    (home / "reels" / "one.abc").write_text(TUNES)
    (home / "tunes").symlink_to(home / "reels", target_is_directory=True)  # leads nowhere else: as good as a folder
    assert len(load(path)) == 2


# --- Unknown fields --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("place", ["", "origin", "companion", "reader", "labels", "counts"])
def test_unknown_fields_are_named(tmp_path, place):
    field = (place, "revison") if place else ("revison",)
    message = refused(tmp_path, changed(COMPLETE, field, 2), "unknown field 'revison'")
    assert not place or f"[{place}]" in message


@pytest.mark.parametrize("kind", ORIGINS)
def test_fields_of_another_origin_are_unknown(tmp_path, kind):
    for other in ORIGINS.values():
        for name in set(other) - set(ORIGINS[kind]):
            refused(tmp_path, changed(with_origin(kind), ("origin", name), other[name]), "[origin]", f"field {name!r}")


# --- Files that hold no manifest -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["nowhere", "nowhere.toml", "\0.toml", "a" * 5000 + ".toml", "", "../aird"])
def test_names_of_nothing(tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ManifestError) as caught:
        read_manifest(name)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "content",
    [b"", b"# words only\n", b"\x00\x01", b"\xff\xfe\x80", b"id = ", b"id = 'a'\nid = 'b'\n", b"x = " + b"[" * 100_000],
    ids=["empty", "comment", "NUL", "no UTF-8", "half a line", "the same field twice", "lists in lists in lists"],
)
def test_files_that_are_no_toml(tmp_path, content):
    path = tmp_path / "harbour.toml"
    path.write_bytes(content)
    with pytest.raises(ManifestError) as caught:
        read_manifest(str(path))
    assert "harbour.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


# --- A folder of one's own -------------------------------------------------------------------------------------------

MINIMAL = {"origin": {"folder": "tunes"}, "reader": {"format": "abc"}}


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A folder with two tunes and a place for manifests beside it."""
    monkeypatch.setenv("KEYBENCH_CACHE", str(tmp_path / "cache"))
    (tmp_path / "tunes").mkdir()
    (tmp_path / "tunes" / "one.abc").write_text(TUNES)
    (tmp_path / "tunes" / "words.txt").write_text("no tune")
    return tmp_path


def test_folder_and_format_are_enough(own):
    corpus = load(write(own / "My Tunes, 2nd.toml", MINIMAL))
    assert corpus.id == "my-tunes-2nd"
    assert corpus.pieces.tolist() == ["my-tunes-2nd:one/1", "my-tunes-2nd:one/2"]
    assert (corpus.tonic.tolist(), corpus.mode.tolist()) == ([9, 7], [DORIAN, MAJOR])
    assert [np.flatnonzero(row).tolist() for row in corpus.truth] == [[12 * DORIAN + 9], [7]]
    assert corpus.notes.n_notes.tolist() == [4, 4]
    assert (corpus.problems, corpus.missing) == ([], [])


def test_what_is_not_stated_claims_nothing(own):
    m = read_manifest(write(own / "mine.toml", MINIMAL))
    assert (m.id, m.title, m.revision, m.headline) == ("mine", "mine", 1, True)
    assert (m.licence, m.commercial_use, m.derived_use) == ("LicenseRef-not-stated", "not stated", "not stated")
    assert (m.citation, m.known_faults, m.companion, m.modes) == ("", (), None, {})
    assert (m.pieces, m.labelled, m.with_local_keys, m.at_origin) == (0, 0, 0, 0)
    assert (m.transpose, m.label_space, m.trust, m.accept) == ("none", "modes", "notated", {})
    assert m.group_by == ("title", "opening")
    assert m.origin.files == ("**/*.abc",)
    assert m.own


def test_the_folder_of_the_manifest_itself(own):
    (own / "tunes" / "here.toml").write_text('[origin]\nfolder = "."\n[reader]\nformat = "abc"\n')
    assert load(str(own / "tunes" / "here.toml")).pieces.tolist() == ["here:one/1", "here:one/2"]


def test_patterns_of_ones_own(own):
    (own / "tunes" / "more").mkdir()
    (own / "tunes" / "more" / "two.abc").write_text(TUNES)
    for files, n in ((["*.abc"], 2), (["**/*.abc"], 4), (["*.abc", "more/*.abc", "one.*"], 4), (["more/two.abc"], 2)):
        table = {"origin": {"folder": "tunes", "files": files}, "reader": {"format": "abc"}}
        assert len(load(write(own / "mine.toml", table))) == n, files


@pytest.mark.parametrize(
    ("pattern", "error"), [(".", ManifestError), ("*.abc/", ManifestError), ("[", CorpusMissingError)]
)
def test_patterns_that_cannot_find_anything(own, pattern, error):
    table = {"origin": {"folder": "tunes", "files": [pattern]}, "reader": {"format": "abc"}}
    with pytest.raises(error) as caught:
        load(write(own / "mine.toml", table))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("stem", "id_"),
    [("Reels & Jigs", "reels-jigs"), ("harbour", "harbour"), ("Öl", "l"), ("--", "own"), ("26", "26")],
)
def test_the_id_comes_from_the_name_of_the_file(own, stem, id_):
    assert read_manifest(write(own / f"{stem}.toml", MINIMAL)).id == id_


@pytest.mark.parametrize("stem", ["all", "a" * 70])
def test_a_name_that_gives_no_id_asks_for_one(own, stem):
    path = write(own / f"{stem}.toml", MINIMAL)
    with pytest.raises(ManifestError, match=r"'id' is .*accepted: small letters, digits and hyphens, but not 'all'"):
        read_manifest(path)
    assert read_manifest(write(own / f"{stem}.toml", {**MINIMAL, "id": "mine"})).id == "mine"


def test_an_absent_or_empty_folder_says_what_to_do(own):
    path = write(own / "mine.toml", {"origin": {"folder": "reels"}, "reader": {"format": "abc"}})
    with pytest.raises(CorpusMissingError, match="reels is not there; put its files there"):
        load(path)
    (own / "reels").mkdir()
    with pytest.raises(CorpusMissingError, match=r"reels holds no \*\*/\*\.abc; put its files there"):
        load(path)
