"""The gabc reader on small chants of our own, worked out by hand.

Unless a line says otherwise the source is the reference of the Gregorio project ("The GABC file"), and the pitches are
MIDI numbers with the line of a C clef at 60.
"""

import re
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.corpora.readers import gabc
from keybench.errors import ReadError
from keybench.key import MODES, Key

HEADER = "name: Lumen portus;\noffice-part: Antiphona;\nmode: 1;\n%%\n"


def read(body, header=HEADER):
    return gabc.read_notes((header + body).encode()).notes


def outcome(data):
    """Return the notes, or None and the words of the refusal."""
    try:
        return gabc.read_notes(data).notes, ""
    except ReadError as error:
        return None, str(error)


def pitches(body):
    return [int(pitch) for pitch in read(body).pitch]


def durations(body):
    return read(body).duration.tolist()


A, B, C, D, E, F, G = 57, 59, 60, 50, 52, 53, 55  # the octave up to the clef's line
B_FLAT = 58

PITCHES = [
    ("the first line is d, the fourth is j", "(c4) La(j) la(d)", [C, D]),
    ("third line", "(c3) La(h) la(g)", [C, B]),
    ("second line", "(c2) La(f)", [C]),
    ("first line", "(c1) La(d) la(e)", [C, 62]),
    ("an F clef", "(f3) La(h) la(g) la(l)", [F, E, C]),
    ("an F clef on the fourth line", "(f4) La(j) la(d)", [F, 43]),
    ("every height", "(c4) (abcdefghijklm)", [45, 47, 48, D, E, F, G, A, B, C, 62, 64, 65]),
    ("five lines", "(c5) (lnp)", [C, 64, 65]),
    ("a change of clef", "(c4) La(j) (z0::c3) la(j) la(h)", [C, 64, C]),
    ("a change of clef beside a custos", "(f3) La(h) (f+::c4) la(j)", [F, C]),
    ("a change of clef within a bracket", "(c4) La(j,c3h)", [C, C]),
    ("notes of a neume", "(c4) La(ghg)", [G, A, G]),
    ("diamonds", "(c4) La(hGFE)", [A, G, F, E]),
    ("a diamond that leans is not a clef", "(c4) La(hF1E0C1)", [A, F, E, 48]),
    ("shapes", "(c4) La(gw) la(gv) la(gV) la(go) la(gO) la(gs) la(gq) la(gr) la(gR) la(g=) la(gW)", [G] * 11),
    ("liquescence", "(c4) La(gf~) la(gf<) la(gf>)", [G, F] * 3),
    ("signs of length and accent", "(c4) La(g_f_2g'f'1g.f.0)", [G, F] * 3),
    ("spaces and fusion", "(c4) La(g/f//g !f/!g@f/0g)", [G, F, G, F, G, F, G]),
    ("initio debilis", "(c4) La(-fg)", [F, G]),
    ("two and three of one shape", "(c4) La(gvv) la(fss) la(fsss) la(gvvv)", [G] * 2 + [F] * 5 + [G] * 3),
    ("attributes", "(c4) La(e[ll:1]d) la(g/[-0.5]f) la(g[alt:Omnes cantent])", [E, D, G, F, G]),
    ("custos and line breaks", "(c4) La(g) (h+) (z) (Z-) (z0) la(f) (h+Z-)", [G, F]),
    ("neumes of another notation", "(c4) La(g|vihg|f|pu)", [G, F]),
    ("bars", "(c4) La(g,f;g:f`g::f)", [G, F, G, F, G, F]),
    ("an empty bracket", "(c4) La(g) *() la(f)", [G, F]),
    ("letters outside brackets", "(c4) bad(g) cab.(f)", [G, F]),
    ("comments", "(c4) La(g) % a(b) cad(e)\nla(f)", [G, F]),
    ("brackets that are printed", "(c4) La(g) <v>(</v>la(f) <v>abc)</v>la(g)", [G, F, G]),
]


@pytest.mark.parametrize(("body", "expected"), [row[1:] for row in PITCHES], ids=[row[0] for row in PITCHES])
def test_pitches(body, expected):
    assert pitches(body) == expected


# Source of the rule for signs: Liber Usualis (1961), page xviij. A flat holds for a whole word and as far as the first
# bar, even a quarter bar; the flat of a clef holds for every B unless a natural contradicts it.
SIGNS = [
    ("flat", "(c4) La(ixi)", [B_FLAT]),
    ("sharp", "(c4) La(f#fg)", [54, G]),
    ("another height stays", "(c4) La(ixih)", [B_FLAT, A]),
    ("before the note it is for", "(c4) La(ixhi)", [A, B_FLAT]),
    ("to the end of the word", "(c4) La(ixi)mi(i)na(i) la(i)", [B_FLAT] * 3 + [B]),
    ("a line end is the end of a word", "(c4) La(ixi)\nla(i)", [B_FLAT, B]),
    ("no further than a quarter bar", "(c4) La(ixi,i)mi(i)", [B_FLAT, B, B]),
    ("no further than any other bar", "(c4) La(ixi;i) la(ixi:i) la(ixi::i)", [B_FLAT, B] * 3),
    ("past a virgula, which is no bar", "(c4) La(ixi`i)", [B_FLAT, B_FLAT]),
    ("past spaces within a neume", "(c4) La(ixi/i//i i)", [B_FLAT] * 4),
    ("a natural ends it", "(c4) La(ixiiyi)na(i)", [B_FLAT, B, B]),
    ("at its height only", "(c4) La(ixib)", [B_FLAT, 47]),
    ("flat of a clef", "(cb4) La(i) la(i,i)", [B_FLAT] * 3),
    ("flat of a clef in every octave", "(cb4) La(b)", [46]),
    ("natural under such a clef", "(cb4) La(iyi)na(i) la(i)", [B, B, B_FLAT]),
    ("such a clef is changed", "(cb4) La(i) (::c3) la(g)", [B_FLAT, B]),
    ("an F clef with a flat", "(fb3) La(k) la(d)", [B_FLAT, 46]),
    ("moved about for the printer", "(c4) La(f/[1]{/[-1]ix}f/hi)", [F, F, A, B_FLAT]),
]


@pytest.mark.parametrize(("body", "expected"), [row[1:] for row in SIGNS], ids=[row[0] for row in SIGNS])
def test_signs(body, expected):
    assert pitches(body) == expected


def test_lowest_note_under_each_clef():
    # Source: the first note named for each clef in lilygabc's visual tests of modern notation, "clef positions", as
    # a pitch class and relative to the one under c4.
    expected = {"c4": 45, "c3": 48, "c2": 52, "c1": 55, "f4": 38, "f3": 41, "f2": 45, "f1": 48}
    assert {clef: pitches(f"({clef}) (a)")[0] for clef in expected} == expected


LENGTHS = [
    ("plain notes", "(c4) La(ghg)", [1, 1, 1]),
    ("a dot", "(c4) La(gh.g)", [1, 2, 1]),
    ("a dot on a diamond and after a shape", "(c4) La(hGF.) la(gv.)", [1, 1, 2, 2]),
    ("two dots, one for each of the last two", "(c4) La(fgh..)", [1, 2, 2]),
    ("two dots past an attribute", "(c4) La(e[ll:1]d..)", [2, 2]),
    ("two dots on a single note", "(c4) La(f) la(g..)", [1, 3]),
    ("an episema does not lengthen", "(c4) La(g_h_)", [1, 1]),
    ("a dot after a repeated shape", "(c4) La(gvv.)", [1, 2]),
    ("a dot in an attribute", "(c4) La(g/[-0.5]h)", [1, 1]),
]


@pytest.mark.parametrize(("body", "expected"), [row[1:] for row in LENGTHS], ids=[row[0] for row in LENGTHS])
def test_durations(body, expected):
    assert durations(body) == expected


def test_notes_follow_each_other_in_one_weak_part():
    reading = gabc.read_notes((HEADER + "(c4) La(gh.) (,) la(f)").encode())
    assert reading.notes.onset.tolist() == [0, 1, 3]
    assert reading.notes.part is None
    assert reading.notes.accent is None
    assert reading.bars is None


ANTIPHON = "(c4) LU(f)men(gf) por(e)tus(d.) (::)\n"  # ends on D
CUTS = [
    ("nothing to cut", "", [F, G, F, E, D]),
    ("psalm verse", "<i>Ps.</i> Na(f)vis(gh) (::)\nGló(f)ri(gh)a(h) Pa(h)tri.(h) (::)", [F, G, F, E, D]),
    ("psalm verse, marked at the bar", "<i>Ps. 117.</i>(::)\nNa(f)vis(gh) (::)", [F, G, F, E, D]),
    ("canticle", "<i>Cant.</i> Na(f)vis(gh) (::)", [F, G, F, E, D]),
    ("ending of a psalm tone", "<eu>E(h) u(h) o(g) u(f) a(g) e.</eu>(h) (::)", [F, G, F, E, D]),
    ("the same without a mark", "E(h) u(h) o(g) u(f) a(g) e.(h) (::)", [F, G, F, E, D]),
    ("doxology", "<sp>V/</sp>. Gló(f)ri(gh)a(h) Pa(h)tri(h) (::)", [F, G, F, E, D]),
    ("doxology without a mark or an accent", "Glo(f)ri(gh)a(h) Pa(h)tri(h) (::)", [F, G, F, E, D]),
    ("verse and the words to go back to", "<sp>V/</sp>. Na(f)vis(gh) *(::)\nPor(e)tus.(d) (::)", [F, G, F, E, D]),
    ("the words alone", "Lu(f)men.(gf) (::)\n2. Na(f)vis(gh) (::)\nLu(f)men.(gf) (::)", [F, G, F, E, D]),
    ("Paschal alleluia stays", "<i>T. P.</i> Al(e)le(f)lú(e)ia.(d) (::)", [F, G, F, E, D, E, F, E, D]),
    ("a verse that closes the chant stays", "<sp>V/</sp>. Na(f)vis(ed) (::)", [F, G, F, E, D, F, E, D]),
    ("Amen stays", "A(ded)men.(cd) (::)", [F, G, F, E, D, D, E, D, 48, D]),
    ("a stanza that begins so stays", "2. Gló(f)ri(g)a(f) Pa(e)tri(d) (::)", [F, G, F, E, D, F, G, F, E, D]),
    ("the same words again stay", "Lu(f)men(gf) por(e)tus.(d) (::)", [F, G, F, E, D] * 2),
    (
        "a long section of known words stays",
        "Lu(fgfg)men.(fgfed) (::)",
        [F, G, F, E, D, F, G, F, G, F, G, F, E, D],
    ),
]


@pytest.mark.parametrize(("more", "expected"), [row[1:] for row in CUTS], ids=[row[0] for row in CUTS])
def test_what_does_not_end_on_the_final_is_cut(more, expected):
    assert pitches(ANTIPHON + more) == expected


SCRAMBLED = [
    "mode: 8;\nname: In D Dorian (c4) (abc);\noffice-part: Introitus;\n%%\n",
    "name: Ps. E u o u a e;\nannotation: IV A;\nmode: 4 A;\nstaff-lines: 4;\n%%\n",
    "% a comment (c3)\n%%\n",
    "name: two lines\nlong (f3);;\nmode-modifier: t.;\n%% and words\n",
    "%%\n",
]


@pytest.mark.parametrize("header", SCRAMBLED)
def test_the_header_does_not_reach_the_notes(header):
    # What an estimator must not see; the chant has everything that is cut by words.
    body = ANTIPHON + "<sp>V/</sp>. Na(f)vis(gh) *(::)\nPor(e)tus.(d) (::)\n<i>Ps.</i> Na(fgh)vis(h) (::)"
    one, other = read(body), read(body, header)
    assert len(one.pitch) == 5
    for column in ("onset", "duration", "pitch"):
        assert np.array_equal(getattr(one, column), getattr(other, column))


def test_words_that_mark_nothing_do_not_reach_the_notes():
    body = ANTIPHON + "Na(f)vis(gh) in(ixi) <i>por</i>tu(i.) [translated] {s}ta(h)bat,(g) d(f)g(e)h.(d.) (::)"
    for words in ("Re", "c4", "in A minor: ix", "Dorian", "|", "<b>fa</b>"):
        other = re.sub(r"[^\s()%]+(?=\()", words.replace(" ", "-"), body)
        assert other != body
        assert np.array_equal(read(other).pitch, read(body).pitch)


def test_the_comparison_of_notes_can_fail():
    assert not np.array_equal(read(ANTIPHON).pitch, read(ANTIPHON.replace("c4", "c3")).pitch)


@given(st.lists(st.text("abcdef", min_size=1, max_size=8), min_size=1, max_size=8))
def test_seven_heights_are_an_octave(neumes):
    low = read("(c4) " + "".join(f"La({neume}) " for neume in neumes))
    raised = ["".join(chr(ord(letter) + 7) for letter in neume) for neume in neumes]
    high = read("(c4) " + "".join(f"La({neume}) " for neume in raised))
    assert len(low.pitch) == sum(map(len, neumes))
    assert (high.pitch - low.pitch == 12).all()


@given(st.text("cdefghijk", min_size=1, max_size=20), st.sampled_from([("c4", "c3"), ("c3", "c2"), ("f4", "f3")]))
def test_a_clef_a_line_lower_and_notes_two_heights_lower_sound_the_same(neume, clefs):
    lower = "".join(chr(ord(letter) - 2) for letter in neume)
    assert pitches(f"({clefs[0]}) La({neume})") == pitches(f"({clefs[1]}) La({lower})")


@settings(max_examples=200)
@given(st.binary(max_size=300))
def test_rubbish_is_read_or_refused(junk):
    for data in (junk, HEADER.encode() + junk, HEADER.encode() + b"(c4) (" + junk + b")"):
        piece, message = outcome(data)
        if piece is None:
            assert "accepted:" in message
            assert "\n" not in message
        else:
            assert len(piece.pitch) > 0
            assert np.isfinite(piece.pitch).all()
            assert (piece.duration >= 1).all()


BAD = [
    ("empty file", b"", "no %% line"),
    ("no body", b"name: Lumen portus;\nmode: 1;\n", "no %% line"),
    ("empty body", HEADER.encode(), "no notes"),
    ("clef only", HEADER.encode() + b"(c4) La() (::)", "no notes"),
    ("psalm verse only", HEADER.encode() + b"(c4) <i>Ps.</i> La(gh) (::)", "no notes"),
    ("no clef", HEADER.encode() + b"La(gh)", "clef"),
    ("a note before the clef", HEADER.encode() + b"La(g) (c4) la(h)", "clef"),
    ("cut short", HEADER.encode() + b"(c4) La(gh) la(g", "stays open"),
    ("a bracket missing", HEADER.encode() + b"(c4) La(gh la(g)", "stays open"),
    ("another encoding", HEADER.encode() + "(c4) Glória(g)".encode("latin-1"), "UTF-8"),
    ("sixteen bits", (HEADER + "(c4) La(g)").encode("utf-16"), "UTF-8"),
    ("binary", bytes(range(256)), "UTF-8"),
    ("too long", HEADER.encode() + b"(c4) La(g) " * 20_000, "at most 200,000"),
]


@pytest.mark.parametrize(("data", "words"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_damaged_files_say_what_is_accepted(data, words):
    with pytest.raises(ReadError) as caught:
        gabc.read_notes(data)
    message = str(caught.value)
    assert words in message
    assert "accepted:" in message
    assert "\n" not in message


@pytest.mark.parametrize("filling", ["(", "[", "<", "<v>", "<i>", "<i> ", ") ", "%", "La(g::)", "g(::)"])
def test_long_rubbish_takes_no_time(filling):
    body = "(c4) La(g" + filling * (190_000 // len(filling))
    begin = time.perf_counter()
    for text in (body, body + ")"):
        outcome((HEADER + text).encode())
    assert time.perf_counter() - begin < 20  # quadratic time would be minutes


@pytest.mark.parametrize("ending", ["\r\n", "\r"])
def test_line_ends_and_byte_order_marks_of_other_systems(ending):
    text = "name: Lumen;\nmode: 3;\n%%\n(c4) La(ixi)\nla(i) % so\nla(g)"
    data = b"\xef\xbb\xbf" + text.replace("\n", ending).encode()
    assert gabc.read_notes(data).notes.pitch.tolist() == [B_FLAT, B, G]
    assert (gabc.read_mode(data), gabc.read_name(data)) == (3, "Lumen")


@pytest.mark.parametrize(
    ("line", "mode"),
    [
        ("mode: 1;", 1),
        ("mode:8;", 8),
        ("mode: 4A;", 4),  # the first character decides
        ("mode : 2*;", 2),
        ("mode: 9;", None),
        ("mode: 10;", None),
        ("mode: t. irregularis;", None),
        ("mode: ;", None),
        ("mode-modifier: 3;", None),
        ("% mode: 3;", None),
        ("", None),
    ],
)
def test_mode(line, mode):
    data = f"name: Mode 5;\n{line}\nannotation: 7;\n%%\n(c4) La(g) mode: 6; (h)".encode()
    assert gabc.read_mode(data) == mode


def test_name_and_kind():
    data = b"name: Lumen portus; % so\noffice-part:  Introitus ;\n%%\n(c4) name: Navis; (h)"
    assert gabc.read_name(data) == "Lumen portus"
    assert gabc.read_office(data) == "Introitus"
    assert gabc.read_name(b"office-part: ;\n%%\n(c4) (h)") is None
    assert gabc.read_office(b"office-part: ;\n%%\n(c4) (h)") is None


@pytest.mark.parametrize("function", [gabc.read_mode, gabc.read_name, gabc.read_office])
@pytest.mark.parametrize("data", [b"", b"\xff\xfe\x00", b"mode: 1;"])
def test_labels_of_damaged_files(function, data):
    with pytest.raises(ReadError, match="accepted:"):
        function(data)


def test_regular_finals():
    # Common practice, no source: modes 1 to 8 in pairs on D, E, F and G.
    named = [("dorian", 2), ("phrygian", 4), ("lydian", 5), ("mixolydian", 7)]
    for mode in range(1, 9):
        key = gabc.church_key(mode)
        assert (MODES[key.mode], key.tonic) == named[(mode - 1) // 2]


@pytest.mark.parametrize("mode", range(1, 9))
def test_affinals(mode):
    # Source: "Transposition and the Doctrine of Modal Affinity", chapter 10 of Greek and Latin Music Theory (Cambridge
    # 2020): the affinal has the place in A B C D that the final has in D E F G, and both tetrachords have the same
    # steps; so it lies a fifth higher.
    regular, named, on_staff = gabc.accepted_keys(mode)
    assert regular == gabc.church_key(mode)
    assert named == regular.transpose(7)
    assert on_staff.tonic == named.tonic
    white = sorted(Key(0, MODES.index("major")).scale())
    assert sorted(regular.scale()) == sorted(on_staff.scale()) == white  # what a staff without signs gives there
    assert sorted(named.scale()) != white


@pytest.mark.parametrize("mode", range(1, 9))
def test_the_last_note_tells_which_final_is_meant(mode):
    every = gabc.accepted_keys(mode)
    regular, affinal = every[:1], every[1:]
    for final in range(12):
        expected = regular if final == regular[0].tonic else affinal if final == affinal[0].tonic else every
        assert gabc.accepted_keys(mode, final) == expected
