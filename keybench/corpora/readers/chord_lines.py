"""Chord annotations of popular songs in timed lines: the bass line that the chords imply, and the home notes.

A file has lines ``# field: value`` and lines ``seconds<tab>text``. The text of a timed line is one of

- ``silence``, ``end``, ``Z`` (noise or talk), or anything else without a bar line: a stretch without chords;
- labels of section and instruments, then bars between ``|``, then ``x4`` (the whole line is played four times) or
  ``->`` (the phrase runs into the next; takes no time), then more labels.

A bar may begin with a metre of its own, ``(2/4)``; without one the last ``# metre:`` holds, which may change in
mid-file. In a bar stand chords, ``.`` (the last symbol goes on), ``N`` (no chord), ``*`` (a rhythm too involved to
write down) and ``&pause`` (the music stops). A chord is a root, a colon, a quality and perhaps a bass, written as an
interval above the root: ``F:maj/5``, ``G:sus4(b7,9)``, ``C:1`` for a bare note.

Choices:

- A line lasts until the next one. Its bars share that time in proportion to their metres, and the symbols of a bar
  share the bar equally: one fills it, two halve it, otherwise there is one to a beat. A pause counts as one bar of the
  metre, which is what it lasts at the median (measured against the tempo of the other lines).
- Every chord that is written is struck anew, as a bass player would: equal chords are as many notes, and a bar that is
  repeated is played again. ``N``, ``*`` and ``&pause`` give no note.
- Notes lie between the low E of a bass guitar (MIDI 28) and the E-flat above it: the files tell no octave.
"""

from __future__ import annotations

import bisect
import itertools
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from keybench.corpora.readers.reading import LabelSpan, Reading
from keybench.errors import ReadError
from keybench.key import SCALE_STEPS
from keybench.notes import BASS, DOWNBEAT, STRONG, WEAK, Piece

MAX_BYTES = 200_000
"""Larger files are refused; the largest song measured has 5,685 bytes."""
MAX_BARS = 20_000
"""Songs of more bars, repeats played out, are refused."""

_LOWEST = 28
_NOTE_NAME = re.compile(r"([A-G])(#*|b*)")
_TIME = re.compile(r"(\d+(?:\.\d+)?(?:e[-+]?\d+)?)\t(.*)")
_FIELD = re.compile(r"#\s*(\w+):(.*)")
_METRE = re.compile(r"([1-9]\d?)/(2|4|8|16)")
_AFTER_BARS = re.compile(r"(?:x([1-9]\d{0,2})|->)?\s*(?:,.*)?")
_CHORD = re.compile(r"([A-G](?:#*|b*)):([a-z]*\d*)(\([#b\d,]+\))?(?:/(#*|b*)(1[0-3]|[1-9]))?")
_NO_CHORD = ("N", "*", "&pause")
_HALVED = ("4/4", "6/8", "12/8")  # metres whose second half begins on a strong beat
_ACCEPTED_SYMBOLS = "chords such as F:maj/5, and . N * &pause"
_ACCEPTED_LINES = "lines '# field: value' and lines 'seconds<tab>text' in order of time"


@dataclass(frozen=True)
class _Line:
    """A timed line: its number in the file, its time in seconds, its text, and the metre in force."""

    number: int
    start: float
    text: str
    metre: str


@dataclass
class _Chord:
    """A chord as played: seconds, and its place in the bar (0 at the bar line, towards 1 at the next)."""

    start: float
    end: float
    place: float
    metre: str
    root: int
    bass: int
    quality: str
    added: tuple[str, ...]


def read_notes(data: bytes, line: Literal["bass", "root"] = "bass") -> Reading:
    """Read the bass line that the chords imply: one note per written chord, in seconds.

    Parameters
    ----------
    data : bytes
        A whole file.
    line : {"bass", "root"}
        Which note of a chord: its bass (the root where none is written), or always its root.

    Returns
    -------
    Reading
        All notes are of the part `BASS`. A chord at a bar line is a downbeat; one that begins the second half of a bar
        in 4/4, 6/8 or 12/8 is strong. Bars and chroma are not set.

    Raises
    ------
    ReadError
        If the file is too large or breaks the rules of the format, or if it has no chord.
    """
    if line not in ("bass", "root"):
        raise ReadError(f"unknown line {line!r}; accepted: bass, root")
    chords = _chords(_timed_lines(_decode(data)))
    if not chords:
        raise ReadError("no notes; accepted: a file with at least one chord between bar lines")
    pitch_class = np.array([getattr(chord, line) for chord in chords], dtype=float)
    start = np.array([chord.start for chord in chords])
    piece = Piece(
        onset=start,
        duration=np.array([chord.end for chord in chords]) - start,
        pitch=_LOWEST + (pitch_class - _LOWEST) % 12,
        part=np.full(len(chords), BASS),
        accent=np.array([_accent(chord) for chord in chords]),
    )
    return Reading(piece)


def read_tonics(data: bytes) -> list[LabelSpan]:
    """Read the home notes and where they hold, in seconds.

    A ``# tonic:`` line holds from the timed line below it to the next one that names another home note; the last holds
    to the end of the recording. No mode is given by this format.

    Raises
    ------
    ReadError
        As `read_notes`, and if no home note is named or one is not a note name.
    """
    text = _decode(data)
    lines = _timed_lines(text)
    starts = {line.number: line.start for line in lines}
    spans: list[tuple[float, int]] = []  # where a home note begins to hold, and its pitch class
    waiting: int | None = None
    for number, raw in enumerate(text.split("\n"), 1):
        field = _FIELD.match(raw)
        if field is not None and field[1] == "tonic":
            waiting = _tonic(field[2].strip(), number)
        if number in starts and waiting is not None:
            if not spans or spans[-1][1] != waiting:
                spans.append((starts[number], waiting))
            waiting = None
    if not spans:
        raise ReadError("no home note; accepted: a file with a line '# tonic: NOTE' above its timed lines")
    ends = [start for start, _ in spans[1:]] + [lines[-1].start]
    return [LabelSpan(start, end, tonic) for (start, tonic), end in zip(spans, ends, strict=True) if end > start]


def read_family(data: bytes, least: float = 0.5) -> str:
    """Tell whether the chords on the home note have a major or a minor third.

    Derived, not annotated: among the chords whose root is the home note of their moment, those with a major third are
    weighed by their length against those with a minor third; bare notes, fifths and suspensions do not count.

    Parameters
    ----------
    data : bytes
        A whole file.
    least : float
        Part of their time that one third must exceed, 0.5 or more.

    Returns
    -------
    str
        ``major``, ``minor``, or empty where neither has so large a part.

    Raises
    ------
    ReadError
        As `read_tonics`.
    """
    spans = read_tonics(data)
    starts = [span.start for span in spans]
    weight = {"major": 0.0, "minor": 0.0, "": 0.0}
    for chord in _chords(_timed_lines(_decode(data))):
        span = bisect.bisect_right(starts, chord.start) - 1
        if span >= 0 and chord.root == spans[span].tonic:
            weight[_third(chord)] += chord.end - chord.start
    enough = least * (weight["major"] + weight["minor"])
    return next((third for third in ("major", "minor") if weight[third] > enough), "")


def read_artist_title(data: bytes) -> tuple[str, str]:
    """Return artist and title, empty where absent; used only to group songs that recur, and never shown.

    Raises
    ------
    ReadError
        If the file is too large.
    """
    fields = {"artist": "", "title": ""}
    for raw in _decode(data).split("\n"):
        field = _FIELD.match(raw)
        if field is not None and field[1] in fields:
            fields[field[1]] = field[2].strip()
    return fields["artist"], fields["title"]


def _decode(data: bytes) -> str:
    if len(data) > MAX_BYTES:
        raise ReadError(f"a file of {len(data):,} bytes; accepted: at most {MAX_BYTES:,}")
    text = data.decode("utf-8-sig", errors="replace")  # only names and titles go beyond ASCII
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _timed_lines(text: str) -> list[_Line]:
    lines: list[_Line] = []
    metre = ""
    for number, raw in enumerate(text.split("\n"), 1):
        if raw.startswith("#"):
            field = _FIELD.match(raw)
            if field is not None and field[1] == "metre":
                metre = field[2].strip()
                _length(metre, number)
            continue
        if not raw.strip():
            continue
        timed = _TIME.fullmatch(raw)
        start = float(timed[1]) if timed is not None else math.inf
        if timed is None or math.isinf(start):
            raise ReadError(f"line {number} has no time; accepted: {_ACCEPTED_LINES}")
        if lines and start < lines[-1].start:
            raise ReadError(f"line {number} goes back to {start:g} seconds; accepted: {_ACCEPTED_LINES}")
        lines.append(_Line(number, start, timed[2], metre))
    if not lines:
        raise ReadError(f"no timed lines; accepted: {_ACCEPTED_LINES}")
    if "|" in lines[-1].text:
        raise ReadError(f"line {lines[-1].number} has bars but no end; accepted: a last line 'seconds<tab>end'")
    return lines


def _chords(lines: list[_Line]) -> list[_Chord]:
    chords: list[_Chord] = []
    n_bars = 0
    for line, following in itertools.pairwise(lines):
        if "|" not in line.text:
            continue
        bars, repeats = _bars(line)
        n_bars += len(bars) * repeats
        if n_bars > MAX_BARS:
            raise ReadError(f"more than {MAX_BARS:,} bars at line {line.number}; accepted: at most {MAX_BARS:,}")
        chords.extend(_play(line, bars * repeats, following.start))
    return chords


def _bars(line: _Line) -> tuple[list[tuple[str, list[str]]], int]:
    """Return the bars of a line, each a metre and its symbols, and how often the line is played."""
    _, *inside, after = line.text.split("|")
    ending = _AFTER_BARS.fullmatch(after.strip())
    if ending is None or not inside:
        raise ReadError(
            f"line {line.number} does not end as a line of bars; accepted: a bar line, then x2 to x999 or ->, "
            "then labels after a comma"
        )
    bars = []
    for bar in inside:
        symbols = bar.split()
        metre = line.metre
        if symbols and symbols[0][0] == "(":
            metre = symbols.pop(0)[1:-1]
        if not symbols:
            raise ReadError(f"an empty bar on line {line.number}; accepted: {_ACCEPTED_SYMBOLS}")
        bars.append((metre, symbols))
    return bars, int(ending[1] or 1)


def _play(line: _Line, bars: list[tuple[str, list[str]]], end: float) -> Iterator[_Chord]:
    """Yield the chords of the bars of a line, spread over the time until `end`."""
    lengths = np.array([_length(metre, line.number) for metre, _ in bars])
    edges = line.start + (end - line.start) * np.concatenate([[0.0], np.cumsum(lengths) / lengths.sum()])
    edges[-1] = end
    sounding: _Chord | None = None
    for (metre, symbols), bar_start, bar_end in zip(bars, edges[:-1], edges[1:], strict=True):
        times = np.linspace(bar_start, bar_end, len(symbols) + 1).tolist()
        for i, symbol in enumerate(symbols):
            if symbol == "." and sounding is not None:
                sounding.end = times[i + 1]
            elif symbol != ".":
                if sounding is not None:
                    yield sounding
                sounding = _chord(symbol, times[i], times[i + 1], i / len(symbols), metre, line.number)
    if sounding is not None:
        yield sounding


def _chord(symbol: str, start: float, end: float, place: float, metre: str, number: int) -> _Chord | None:
    """Read a symbol other than a dot; None if it stands for no chord."""
    if symbol in _NO_CHORD:
        return None
    match = _CHORD.fullmatch(symbol)
    if match is None or not (match[2] or match[3]):
        raise ReadError(f"cannot read {symbol[:30]!r} on line {number}; accepted: {_ACCEPTED_SYMBOLS}")
    root = _pitch_class(match[1])
    bass = root
    if match[5] is not None:
        # Degrees count up the major scale on the root, whatever the quality: /7 is a semitone below it.
        bass = int(root + SCALE_STEPS[0][(int(match[5]) - 1) % 7] + _shift(match[4])) % 12
    added = tuple((match[3] or "()")[1:-1].split(","))
    return _Chord(start, end, place, metre, root, bass, match[2], added)


def _accent(chord: _Chord) -> int:
    if chord.place == 0:
        return DOWNBEAT
    return STRONG if chord.place == 0.5 and chord.metre in _HALVED else WEAK


def _third(chord: _Chord) -> str:
    """Return the third of a chord: major, minor or none ("")."""
    if chord.quality.startswith(("maj", "aug")) or chord.quality in ("7", "9", "11", "13"):
        return "major"
    if chord.quality.startswith(("min", "dim", "hdim")):
        return "minor"
    if "3" in chord.added:
        return "major"
    return "minor" if "b3" in chord.added else ""


def _length(metre: str, number: int) -> float:
    """Return the length of a bar in whole notes."""
    match = _METRE.fullmatch(metre)
    if match is None:
        raise ReadError(f"metre {metre[:30]!r} at line {number}; accepted: two whole numbers such as 4/4 or 6/8")
    return int(match[1]) / int(match[2])


def _tonic(name: str, number: int) -> int:
    if _NOTE_NAME.fullmatch(name) is None:
        raise ReadError(f"home note {name[:30]!r} on line {number}; accepted: A to G with sharps (#) or flats (b)")
    return _pitch_class(name)


def _pitch_class(name: str) -> int:
    return ({"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[name[0]] + _shift(name[1:])) % 12


def _shift(accidentals: str) -> int:
    return accidentals.count("#") - accidentals.count("b")
