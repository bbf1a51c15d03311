"""The MusicXML reader on small scores of our own, worked out by hand.

Unless a line says otherwise the source is the MusicXML 4.0 specification (w3.org), and the pitches are MIDI numbers.
"""

import io
import zipfile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.corpora.readers import musicxml
from keybench.errors import ReadError
from keybench.notes import DOWNBEAT, STRONG, WEAK

W, S, D = WEAK, STRONG, DOWNBEAT

DIVISIONS = 12


def note(name, quarters=1.0, *more):
    """Return a note such as ``C4``, ``F#5``, ``Eb3``, or a rest for ``r``; `more` are further elements in order."""
    if name == "r":
        pitch = "<rest/>"
    else:
        alter = {"#": 1, "b": -1}.get(name[1:-1], 0)
        pitch = f"<pitch><step>{name[0]}</step><alter>{alter}</alter><octave>{name[-1]}</octave></pitch>"
    before = "".join(element for element in more if element.startswith(("<grace", "<chord", "<cue")))
    after = "".join(element for element in more if not element.startswith(("<grace", "<chord", "<cue")))
    duration = "" if "<grace/>" in more else f"<duration>{round(quarters * DIVISIONS)}</duration>"
    return f"<note>{before}{pitch}{duration}{after}<voice>1</voice></note>"


def metre(beats, unit):
    return f"<attributes><time><beats>{beats}</beats><beat-type>{unit}</beat-type></time></attributes>"


def move(kind, quarters):
    return f"<{kind}><duration>{round(quarters * DIVISIONS)}</duration></{kind}>"


DIVIDE = f"<attributes><divisions>{DIVISIONS}</divisions></attributes>"
TIE, END = '<tie type="start"/>', '<tie type="stop"/>'


def score(*parts, first=1):
    """Return a file; a part is a list of bars, a bar is a string or a pair of its number and a string."""
    listed = "".join(f'<score-part id="Q{i}"><part-name>Voice</part-name></score-part>' for i in range(len(parts)))
    written = []
    for i, part in enumerate(parts):
        numbered = [bar if isinstance(bar, tuple) else (str(first + n), bar) for n, bar in enumerate(part)]
        bars = [
            f'<measure number="{number}">{DIVIDE if n == 0 else ""}{bar}</measure>'
            for n, (number, bar) in enumerate(numbered)
        ]
        written.append(f'<part id="Q{i}">{"".join(bars)}</part>')
    text = f'<score-partwise version="4.0"><part-list>{listed}</part-list>{"".join(written)}</score-partwise>'
    return ('<?xml version="1.0" encoding="UTF-8"?>\n' + text).encode()


def rows(data):
    """Return (onset, duration, pitch) sorted by onset, then pitch."""
    notes = musicxml.read_notes(data).notes
    table = zip(notes.onset, notes.duration, notes.pitch, strict=True)
    rounded = [tuple(round(float(value), 3) for value in row) for row in table]
    return sorted(rounded, key=lambda row: (row[0], row[2]))


def bars(data):
    found = musicxml.read_notes(data).bars
    return found.number.tolist(), found.onset.tolist(), found.end


def same_notes(one, other):
    a, b = musicxml.read_notes(one), musicxml.read_notes(other)
    columns = ("onset", "duration", "pitch", "part", "accent")
    return (
        len(a.notes.pitch) > 0
        and all(np.array_equal(getattr(a.notes, name), getattr(b.notes, name)) for name in columns)
        and np.array_equal(a.bars.number, b.bars.number)
        and np.array_equal(a.bars.onset, b.bars.onset)
        and (a.bars.end, a.bars.beat) == (b.bars.end, b.bars.beat)
    )


UNPITCHED = "<note>{}<unpitched><display-step>E</display-step><display-octave>4</display-octave></unpitched>" + (
    f"<duration>{DIVISIONS}</duration><voice>1</voice></note>"
)
TRANSPOSE = "<attributes><transpose><diatonic>-1</diatonic><chromatic>-2</chromatic>{}</transpose></attributes>"

NOTES = [
    ("pitches", [note("C4") + note("F#5") + note("Eb3") + note("B3")],
     [(0, 1, 60), (1, 1, 78), (2, 1, 51), (3, 1, 59)]),
    ("rests", [note("C4", 0.5) + note("r", 1.5) + note("D4", 2)], [(0, 0.5, 60), (2, 2, 62)]),
    ("chord", [note("C4", 2) + note("E4", 2, "<chord/>") + note("D4", 2)], [(0, 2, 60), (0, 2, 64), (2, 2, 62)]),
    ("tie", [note("C4", 4, TIE), note("C4", 1, END) + note("D4", 3)], [(0, 5, 60), (5, 3, 62)]),
    ("tie on", [note("C4", 4, TIE), note("C4", 4, END, TIE), note("C4", 1, END)], [(0, 9, 60)]),
    ("tie whose end is not written", [note("C4", 4, TIE), note("C4", 1) + note("C4", 3)], [(0, 5, 60), (5, 3, 60)]),
    ("tie that leads nowhere", [note("C4", 1, TIE) + note("D4") + note("C4", 2)], [(0, 1, 60), (1, 1, 62), (2, 2, 60)]),
    ("tie in a chord",
     [note("C4", 2) + note("E4", 2, "<chord/>", TIE) + note("D4", 2) + note("E4", 2, "<chord/>", END)],
     [(0, 2, 60), (0, 4, 64), (2, 2, 62)]),
    ("grace notes are left out", [note("D4", 0, "<grace/>") + note("C4") + note("E4", 3)], [(0, 1, 60), (1, 3, 64)]),
    ("cue notes are left out", [note("D4", 1, "<cue/>") + note("C4", 3)], [(1, 3, 60)]),
    ("drums are left out", [UNPITCHED.format("") + UNPITCHED.format("<chord/>") + note("C4", 3)], [(1, 3, 60)]),
    ("two voices", [note("C5", 4) + move("backup", 4) + note("C4", 2) + note("D4", 2)],
     [(0, 2, 60), (0, 4, 72), (2, 2, 62)]),
    ("a voice that begins later", [note("C5", 4) + move("backup", 4) + move("forward", 1) + note("C4", 3)],
     [(0, 4, 72), (1, 3, 60)]),
    ("a transposing instrument", [TRANSPOSE.format("") + note("D4"), note("E4")], [(0, 1, 60), (1, 1, 62)]),
    ("an instrument an octave lower", [TRANSPOSE.format("<octave-change>-1</octave-change>") + note("D4")],
     [(0, 1, 48)]),
    ("an instrument that changes", [note("D4") + TRANSPOSE.format("") + note("D4")], [(0, 1, 62), (1, 1, 60)]),
    ("divisions that change",
     [note("C4"), "<attributes><divisions>24</divisions></attributes>" + note("D4") + note("E4")],
     [(0, 1, 60), (1, 0.5, 62), (1.5, 0.5, 64)]),
    ("the accidental on paper says nothing", [note("F4", 1, "<accidental>sharp</accidental>")], [(0, 1, 65)]),
    ("a note without length", [note("C4", 0) + note("D4")], [(0, 0, 60), (0, 1, 62)]),
    ("repeats are not played out",
     ['<barline location="left"><repeat direction="forward"/></barline>' + note("C4")
      + '<barline location="right"><repeat direction="backward"/></barline>', note("D4")],
     [(0, 1, 60), (1, 1, 62)]),
]  # fmt: skip


@pytest.mark.parametrize(("part", "expected"), [row[1:] for row in NOTES], ids=[row[0] for row in NOTES])
def test_onsets_durations_and_pitches(part, expected):
    assert rows(score(part)) == expected


def test_parts_count_from_the_last():
    notes = musicxml.read_notes(score([note("C5", 4)], [note("C4", 4)], [note("C3", 4)])).notes
    assert dict(zip(notes.pitch, notes.part, strict=True)) == {48: 0, 60: 1, 72: 2}


# As some programs write them: whole-bar rests of any length, silent bars without length.
@pytest.mark.parametrize("silence", [note("r", 8), note("r", 4) + note("r", 4), note("r", 1), "", move("forward", 6)])
def test_rests_make_no_bar_longer_or_shorter(silence):
    data = score(
        [note("C5", 4), note("D5", 4), note("r", 4), note("E5", 4)], [silence, silence, note("r", 4), note("C3")]
    )
    assert rows(data) == [(0, 4, 72), (4, 4, 74), (12, 1, 48), (12, 4, 76)]
    assert bars(data) == ([1, 2, 3, 4], [0, 4, 8, 12], 16)


def test_a_part_that_leaves_a_bar_short_waits():
    data = score([note("C5", 4), note("D5", 4)], [note("C3", 3), note("D3", 4)])
    assert rows(data) == [(0, 3, 48), (0, 4, 72), (4, 4, 50), (4, 4, 74)]


def test_a_part_that_has_fewer_bars():
    assert rows(score([note("C5", 4), note("D5", 4)], [note("C3", 4)])) == [(0, 4, 48), (0, 4, 72), (4, 4, 74)]


BARS = [
    ("as numbered", [("5", note("C4", 4)), ("6", note("C4", 4))], ([5, 6], [0, 4], 8)),
    ("pickup", [("0", note("C4", 1)), ("1", note("C4", 4))], ([0, 1], [0, 1], 5)),
    ("after a repeat", [("4", note("C4", 3)), ("X1", note("C4", 1)), ("5", note("C4"))], ([4, 5], [0, 4], 5)),
    ("with a letter", [("4", note("C4", 3)), ("4a", note("C4", 1)), ("5", note("C4"))], ([4, 5], [0, 4], 5)),
    ("pickup without a number", [("X1", note("C4", 1)), ("1", note("C4", 4))], ([0, 1], [0, 1], 5)),
    ("no numbers", [("", note("C4", 4)), ("", note("C4", 4))], ([1, 2], [0, 4], 8)),
]  # fmt: skip


@pytest.mark.parametrize(("part", "expected"), [row[1:] for row in BARS], ids=[row[0] for row in BARS])
def test_bars(part, expected):
    # That bars without a number go on the one before is the reader's description.
    assert bars(score(part)) == expected


ACCENTS = [
    ("four-four", [metre(4, 4) + note("C4") * 4, note("C4", 0.5) * 2 + note("C4", 3)], [D, W, S, W, D, W, W], 1),
    ("six-eight", [metre(6, 8) + note("C4", 0.5) * 6], [D, W, W, S, W, W], 0.5),
    ("alla breve", [metre(2, 2) + note("C4") * 4], [D, W, S, W], 2),
    ("pickup", [metre(4, 4) + note("C4"), note("C4", 2) * 2], [W, D, S], 1),
    ("change of metre", [metre(4, 4) + note("C4", 2) * 2, metre(3, 4) + note("C4", 2) + note("C4")], [D, S, D, W], 1),
    ("metre not known", [note("C4") * 4], [W, W, W, W], 1),
]


@pytest.mark.parametrize(("part", "expected", "beat"), [row[1:] for row in ACCENTS], ids=[row[0] for row in ACCENTS])
def test_accents(part, expected, beat):
    # Common practice, no source.
    reading = musicxml.read_notes(score(part))
    assert reading.notes.accent.tolist() == expected
    assert reading.bars.beat == beat


LEAKY = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" "http://www.musicxml.org/dtds/partwise.dtd">
<!-- {t} -->
<score-partwise version="4.0"><work><work-title>{t}</work-title></work><movement-title>{t}</movement-title>
<identification><creator type="composer">{t}</creator></identification>
<credit><credit-words>{t}</credit-words></credit>
<part-list><part-group type="start" number="1"><group-name>{t}</group-name></part-group>
<score-part id="P1"><part-name>{t}</part-name></score-part><score-part id="P2"><part-name>Bass</part-name></score-part>
<part-group type="stop" number="1"/></part-list>
<part id="P1"><measure number="1" width="99"><print new-system="yes"/><attributes><divisions>2</divisions>
<key><fifths>{f}</fifths><mode>{m}</mode></key><time><beats>4</beats><beat-type>4</beat-type></time>
<clef><sign>{c}</sign><line>2</line></clef></attributes>
<direction><direction-type><words>{t}</words></direction-type><sound tempo="90"/></direction>
<harmony><root><root-step>{r}</root-step></root><kind text="{t}">{k}</kind></harmony>
<note><pitch><step>C</step><octave>5</octave></pitch><duration>4</duration><tie type="start"/><voice>1</voice>
<type>half</type><accidental>{a}</accidental><stem>up</stem><notations><tied type="start"/><fermata/></notations>
<lyric><text>{t}</text></lyric></note>
<harmony><function>{t}</function><kind>{k}</kind></harmony>
<note><pitch><step>C</step><octave>5</octave></pitch><duration>2</duration><tie type="stop"/><voice>1</voice></note>
<note><pitch><step>B</step><alter>-1</alter><octave>4</octave></pitch><duration>2</duration><voice>1</voice></note>
<barline location="right"><bar-style>light-heavy</bar-style></barline></measure></part>
<part id="P2"><measure number="1"><attributes><divisions>2</divisions><key><fifths>{f}</fifths></key>
<time><beats>4</beats><beat-type>4</beat-type></time></attributes>
<note><pitch><step>C</step><octave>3</octave></pitch><duration>8</duration><voice>1</voice></note></measure></part>
</score-partwise>
"""
BARE = score([metre(4, 4) + note("C5", 2, TIE) + note("C5", 1, END) + note("Bb4", 1)], [metre(4, 4) + note("C3", 4)])


@pytest.mark.parametrize("words", ["Lamp by the quay", "in A minor", "IV|PAC", "1/4=120", "&lt;key/&gt;"])
@pytest.mark.parametrize(
    ("fifths", "mode", "root", "kind", "clef", "accidental"),
    [
        (0, "major", "C", "major", "G", "natural"),
        (3, "minor", "F", "minor", "F", "sharp"),
        (-5, "dorian", "B", "x", "C", "?"),
    ],
)
def test_words_keys_and_chord_symbols_do_not_reach_the_notes(words, fifths, mode, root, kind, clef, accidental):
    # What an estimator must not see. Reference: the same score with nothing in it but notes.
    leaky = LEAKY.format(t=words, f=fifths, m=mode, r=root, k=kind, c=clef, a=accidental)
    assert same_notes(leaky.encode(), BARE)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (b"<alter>-1</alter>", b"<alter>0</alter>"),
        (b'<tie type="start"/>', b""),
        (b"<beat-type>4</beat-type>", b"<beat-type>8</beat-type>"),
        (b"<octave>3</octave>", b"<octave>2</octave>"),
        (b'number="1"', b'number="2"'),
    ],
)
def test_the_comparison_of_notes_can_fail(before, after):
    assert before in BARE
    assert not same_notes(BARE.replace(before, after), BARE)


def compressed(text=BARE, name="score.xml", rootfile="score.xml", container=True, **options):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, **options) as archive:
        if container:
            root = f'<container><rootfiles><rootfile full-path="{rootfile}"/></rootfiles></container>'
            archive.writestr("META-INF/container.xml", root)
        archive.writestr(name, text)
    return buffer.getvalue()


def test_a_compressed_score_is_the_same():
    assert same_notes(compressed(), BARE)
    assert same_notes(compressed(name="a/b.musicxml", rootfile="a/b.musicxml"), BARE)


@pytest.mark.parametrize("encoding", ["utf-16", "iso-8859-1", "utf-8-sig"])
def test_encodings(encoding):
    declared = {"utf-8-sig": "UTF-8"}.get(encoding, encoding.upper())
    assert same_notes(BARE.decode().replace("UTF-8", declared).encode(encoding), BARE)


def with_entity(text):
    """Return a score in which the step of the first note comes from an entity."""
    head, rest = text.split(b"\n", 1)
    return head + b'\n<!DOCTYPE score-partwise [<!ENTITY x "D">]>\n' + rest.replace(b"<step>C", b"<step>&x;", 1)


BAD = [
    ("empty", b"", "no XML"),
    ("not XML", b"**kern\n4c\n", "no XML"),
    ("cut off", BARE[: len(BARE) // 2], "no XML"),
    ("wrong encoding", BARE.replace(b"UTF-8", b"UTF-16"), "no XML"),
    ("another kind of XML", b"<mei/>", "'mei'; accepted: score-partwise"),
    ("timewise", BARE.replace(b"score-partwise", b"score-timewise"), "'score-timewise'; accepted: score-partwise"),
    ("no parts", score(), "no notes"),
    ("no notes", score([note("r", 4)]), "no notes"),
    ("no bars", score([]), "no notes"),
    ("a pitch without a step", BARE.replace(b"<step>C</step>", b""), "made nothing of it"),
    ("an octave that is no number", BARE.replace(b"<octave>3", b"<octave>low"), "made nothing of it"),
    ("a transposition that is no number", score([TRANSPOSE.format("<octave-change>x</octave-change>") + note("C4")]),
     "made nothing of it"),
    ("a pitch from an entity", with_entity(BARE), "made nothing of it"),
    ("gigantic", b"<score-partwise>" + b" " * 40_000_000, "40,000,016 bytes"),
    ("gigantic line", BARE.replace(b"Voice", b"V" * 11_000_000), "no XML"),
    ("zip without a score", compressed(rootfile="other.xml"), "damaged or encrypted"),
    ("zip without a container", compressed(container=False), "damaged or encrypted"),
    ("container without a file", compressed(rootfile=""), "names ''"),
    ("path upwards", compressed(name="../score.xml", rootfile="../score.xml"), "accepted: a file within it"),
    ("absolute path", compressed(name="/score.xml", rootfile="/score.xml"), "accepted: a file within it"),
    ("path with backslashes", compressed(name="..\\score.xml", rootfile="..\\score.xml"), "accepted: a file within it"),
    ("zip cut off", compressed()[:-30], "damaged or encrypted"),
    ("zip with a wrong checksum", compressed().replace(b"PK\x01\x02", b"PK\x01\x03"), "damaged or encrypted"),
    ("zip in name only", b"PK\x03\x04" + b"\x00" * 100, "damaged or encrypted"),
    ("zip bomb", compressed(b"<score-partwise>" + b" " * 45_000_000), "45,000,016 bytes"),
]  # fmt: skip


@pytest.mark.parametrize(("data", "words"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_damaged_files_say_what_is_accepted(data, words):
    with pytest.raises(ReadError) as caught:
        musicxml.read_notes(data)
    message = str(caught.value)
    assert words in message
    assert "accepted:" in message
    assert "\n" not in message
    assert len(message) < 300


@given(st.binary(max_size=60), st.integers(0, len(BARE)), st.booleans())
@settings(max_examples=80, deadline=None)
def test_rubbish_is_read_or_refused(junk, place, zipped):
    # No source: whatever the bytes, there is a piece with finite columns or a ReadError of one line.
    data = BARE[:place] + junk + BARE[place:]
    try:
        reading, message = musicxml.read_notes(compressed(data) if zipped else data), ""
    except ReadError as error:
        reading, message = None, str(error)
    assert "\n" not in message
    if reading is not None:
        assert np.isfinite(reading.notes.onset).all()
        assert (reading.notes.duration >= 0).all()


def test_nothing_is_printed_or_warned(capfd, recwarn):
    musicxml.read_notes(LEAKY.format(t="x", f=0, m="major", r="C", k="major", c="G", a="natural").encode())
    musicxml.read_notes(score([note("D4", 0, "<grace/>") + note("C4") + move("backup", 9) + "<unknown/>"]))
    out = capfd.readouterr()
    assert (out.out, out.err) == ("", "")
    assert len(recwarn) == 0
