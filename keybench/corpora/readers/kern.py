"""Humdrum files: notes of the ``**kern`` spines; labels from key designations and from ``**text`` spines.

The syntax is the Humdrum User Guide's (humdrum.org). Comments, reference records, key signatures and designations,
clefs, instrument names and all spines but ``**kern`` are passed over when notes are read: pitches in ``**kern`` are
absolute. The one word that counts is ``*Ibass``, which says where the bass part is.

Choices, checked against partitura and music21 in the tests:

- Repeats and section orders (``*>[A,A,B]``) are not played out: the notes come as written.
- Tied notes are one note. A tie that leads nowhere, or to another pitch, ties nothing.
- Grace notes (``q``, ``Q``) are left out: they have no length of their own.
- A note of a chord without a length has the length of the note before it in the chord.
- Rows follow each other in time: a spine that is short of the others waits for them. After a chord of several lengths
  its spine goes on when the shortest ends.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np

from keybench.corpora.readers.metre import Metre, accents, make_bars
from keybench.corpora.readers.reading import Reading
from keybench.errors import KeyNameError, ReadError
from keybench.key import Key, parse_key
from keybench.notes import BASS, Piece

_MAX_BYTES = 3_000_000
_MAX_LINE_BYTES = 20_000
_MAX_GRID = 10**6  # parts of a quarter note; beyond it lengths are damaged, and exact times would grow without end

_LETTERS = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
_LENGTH = re.compile(r"(\d+)(?:%(\d+))?(\.*)")
_PITCH = re.compile(
    r"([#-]{0,3})([a-gA-G])(\2*)([#-]{0,3})"
)  # the sign belongs behind; one file has it before the letter
_METRE = re.compile(r"\*M(\d{1,2})/(\d{1,2})(?!\d)")
_BAR_NUMBER = re.compile(r"=+(\d{1,6})")
_KEY = re.compile(r"\*[A-Ga-g](#*|-*):[a-z]*")
_TEXT_KEY = re.compile(r"([A-Ga-g])(#+|-+|b+)?=>:")
_RECORD = re.compile(r"!!!([A-Za-z]+)[^:]*:(.*)")
_PATHS = {"*^", "*v", "*x", "*+", "*-"}
_NULL = (".", "")  # nothing begins here


@dataclass(eq=False, slots=True)
class _Column:
    """One column of a row: the spine it belongs to, what the spine holds, and the time it has reached."""

    spine: int
    kind: str
    time: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class _Row:
    """One row: the time at which it stands, in quarters, and columns with their tokens by the kind of their spine."""

    time: Fraction
    kern: list[tuple[_Column, str]]
    text: list[str]
    is_data: bool  # not a row of bar lines or interpretations


@dataclass(frozen=True, slots=True)
class _Note:
    """One note (or, with pitch None, rest) of a token."""

    length: Fraction
    pitch: int | None
    tied_to_last: bool
    tied_to_next: bool


def _lines(data: bytes) -> list[str]:
    """Return the lines of a file, refusing what is too large before anything is searched in it."""
    if len(data) > _MAX_BYTES:
        raise ReadError(f"a file of {len(data):,} bytes; accepted: at most {_MAX_BYTES:,}")
    lines = data.removeprefix(b"\xef\xbb\xbf").splitlines()
    longest = max(map(len, lines), default=0)
    if longest > _MAX_LINE_BYTES:
        raise ReadError(f"a line of {longest:,} bytes; accepted: at most {_MAX_LINE_BYTES:,}")
    try:
        return [line.decode("utf-8") for line in lines]
    except UnicodeDecodeError:
        return [line.decode("latin-1") for line in lines]


def _rows(data: bytes) -> Iterator[tuple[int, list[_Column], list[str]]]:
    """Yield number, columns and tokens of each line after the first that is no comment, following the spines' paths.

    Raises
    ------
    ReadError
        If there is no ``**kern`` spine, a row has more tokens than columns or lacks one of a ``**kern`` column, or the
        file ends before its spines do.
    """
    lines = ((number, line) for number, line in enumerate(_lines(data), 1) if line.strip() and line[0] != "!")
    kinds = next(lines, (0, ""))[1].split("\t")
    if "**kern" not in kinds:
        raise ReadError("no **kern spine; accepted: a Humdrum file with at least one")
    columns = [_Column(spine, kind) for spine, kind in enumerate(kinds)]
    for number, line in lines:
        tokens = line.split("\t")
        if not columns:
            return  # all spines have ended
        # Columns of other kinds may lack their tokens at the end of a row (so in two of the textbook examples).
        if len(tokens) > len(columns) or any(column.kind == "**kern" for column in columns[len(tokens) :]):
            raise ReadError(f"line {number}: {len(tokens)} tokens in {len(columns)} columns; accepted: one in each")
        tokens += ["."] * (len(columns) - len(tokens))
        yield number, columns, tokens
        if not _PATHS.isdisjoint(tokens):
            columns = _follow_paths(columns, tokens)
        elif tokens[0].startswith("*"):
            for column, token in zip(columns, tokens, strict=True):
                if token.startswith("**"):
                    column.kind = token  # a spine that was added names its kind
    if columns:
        raise ReadError("the spines do not end (*-): the file was cut short; accepted: a whole file")


def _follow_paths(columns: list[_Column], tokens: list[str]) -> list[_Column]:
    """Return the columns after a row that splits (``*^``), joins (``*v``), exchanges, adds or ends spines."""
    columns = list(columns)
    exchanged = [i for i, token in enumerate(tokens) if token == "*x"]
    for i, j in zip(exchanged[::2], exchanged[1::2], strict=False):
        columns[i], columns[j] = columns[j], columns[i]
    after: list[_Column] = []
    unused = max(column.spine for column in columns) + 1
    for i, (column, token) in enumerate(zip(columns, tokens, strict=True)):
        joins = token == "*v" and i > 0 and tokens[i - 1] == "*v" and after[-1].spine == column.spine
        if joins:
            after[-1].time = max(after[-1].time, column.time)
        elif token != "*-":
            after.append(column)
        if token == "*^":
            after.append(_Column(column.spine, column.kind, column.time))
        elif token == "*+":
            after.append(_Column(unused, "", column.time))
            unused += 1
    return after


def _timed_rows(data: bytes) -> Iterator[_Row]:
    """Yield the rows with the times at which they stand.

    A row of data stands where the last of its ``**kern`` tokens can begin and no earlier than the row before it; a bar
    line or an interpretation where the first of what then sounds ends.

    Raises
    ------
    ReadError
        See `_rows` and `_notes`.
    """
    time = last_begun = Fraction(0)
    for number, columns, tokens in _rows(data):
        pairs = list(zip(columns, tokens, strict=True))
        kern = [(column, token) for column, token in pairs if column.kind == "**kern"]
        text = [token for column, token in pairs if column.kind == "**text"]
        is_data = tokens[0][:1] not in ("*", "=")
        if is_data:
            begun = [(column, token) for column, token in kern if token not in _NULL]
            time = last_begun = max([time, *(column.time for column, _ in begun)])
            for column, token in begun:
                try:
                    lengths = [note.length for note in _notes(token)]
                except ReadError as error:
                    raise ReadError(f"line {number}: {error}") from None
                column.time = time + min(lengths, default=Fraction(0))
                if column.time.denominator > _MAX_GRID:
                    raise ReadError(f"line {number}: lengths without a common part; accepted: {_MAX_GRID:,}ths")
        else:
            time = max(time, min((column.time for column, _ in kern if column.time > last_begun), default=time))
        yield _Row(time, kern, text, is_data)


@lru_cache(maxsize=4096)
def _notes(token: str) -> tuple[_Note, ...]:
    """Return the notes and rests of a ``**kern`` token, without grace notes.

    Raises
    ------
    ReadError
        If one has no length, a length of more than four digits, or a pitch outside MIDI's range.
    """
    notes: list[_Note] = []
    for text in token.split():
        if "q" in text.lower():
            continue
        written = _LENGTH.search(text)
        if written is not None:
            length = _length(*written.groups())
        elif notes:
            length = notes[-1].length
        else:
            raise ReadError(f"no length in {text[:20]!r}; accepted: notes such as 4c, 8.GG#, [2e-")
        pitch = None if "r" in text else _pitch(text)
        held = "_" in text
        notes.append(_Note(length, pitch, held or "]" in text, held or "[" in text))
    return tuple(notes)


def _length(number: str, multiple: str | None, dots: str) -> Fraction:
    """Return a length in quarters: ``4.`` is 3/2, ``3%2`` is two thirds of a whole note, ``00`` is four whole notes."""
    if len(number) > 4 or len(multiple or "") > 4 or len(dots) > 4:
        raise ReadError(f"the length {number[:20]}; accepted: at most four digits and four dots")
    if int(number) == 0:
        whole = Fraction(2 ** len(number))  # 0 a breve, 00 a long, 000 a maxima
    else:
        whole = Fraction(int(multiple or 1), int(number))
    return 4 * whole * (2 - Fraction(1, 2 ** len(dots)))


def _pitch(text: str) -> int:
    """Return the MIDI number of a note: ``c`` is middle C, ``cc`` the octave above, ``C`` the octave below."""
    written = _PITCH.search(text)
    if written is None:
        raise ReadError(f"neither a pitch nor a rest in {text[:20]!r}; accepted: notes such as 4c, 8.GG#, [2e-")
    letter, more, accidental = written[2], len(written[3]), written[1] + written[4]
    octave = 5 + more if letter.islower() else 4 - more
    pitch = 12 * octave + _LETTERS[letter.lower()] + accidental.count("#") - accidental.count("-")
    if not 0 <= pitch <= 127:
        raise ReadError(f"the pitch {text[:20]!r}; accepted: MIDI numbers 0 to 127")
    return pitch


def read_notes(data: bytes) -> Reading:
    """Read the notes and bars of a Humdrum file.

    Parameters
    ----------
    data : bytes
        The file, in UTF-8 or Latin-1.

    Returns
    -------
    Reading
        In quarter notes. Spines are parts 0, 1, ... from the first, which in Humdrum is the lowest; if exactly one is
        labelled ``*Ibass``, its notes have the part number `BASS` and the others count without it.

    Raises
    ------
    ReadError
        If the file is too large or has no notes, or a row or token cannot be read; the message names the line.
    """
    rows = list(_timed_rows(data))
    onsets, lengths, pitches, spines = _joined_notes(rows)
    if not onsets:
        raise ReadError("no notes; accepted: a Humdrum file with at least one note")
    metres = _metres(rows)
    onset, duration = np.array(onsets, dtype=float), np.array(lengths, dtype=float)
    end = max(float(max(row.time for row in rows)), float((onset + duration).max()))
    bars = make_bars(*_bar_lines(rows), end, metres[0].unit if metres else 1.0)
    part_of = _parts(rows)
    piece = Piece(
        onset=onset,
        duration=duration,
        pitch=np.array(pitches, dtype=float),
        part=np.array([part_of[spine] for spine in spines], dtype=np.int64),
        accent=accents(onset, bars, metres),
    )
    return Reading(piece, bars)


def _joined_notes(rows: list[_Row]) -> tuple[list[Fraction], list[Fraction], list[int], list[int]]:
    """Return onset, length, pitch and spine of each note, tied notes as one."""
    onsets: list[Fraction] = []
    lengths: list[Fraction] = []
    pitches: list[int] = []
    spines: list[int] = []
    held: dict[tuple[int, int], int] = {}  # spine and pitch of an open tie: the note that it prolongs
    for row in rows:
        for column, token in row.kern:
            for note in _notes(token) if row.is_data and token not in _NULL else ():
                if note.pitch is None:
                    continue
                tie = (column.spine, note.pitch)
                i = held.pop(tie, None) if note.tied_to_last else None
                if i is not None and onsets[i] + lengths[i] == row.time:
                    lengths[i] += note.length
                else:
                    i = len(onsets)
                    onsets.append(row.time)
                    lengths.append(note.length)
                    pitches.append(note.pitch)
                    spines.append(column.spine)
                if note.tied_to_next:
                    held[tie] = i
    return onsets, lengths, pitches, spines


def _bar_lines(rows: list[_Row]) -> tuple[list[int | None], list[float]]:
    """Return number, if it has one, and time of each bar line."""
    numbers: list[int | None] = []
    times: list[float] = []
    for row in rows:
        if row.kern and row.kern[0][1].startswith("="):
            number = _BAR_NUMBER.match(row.kern[0][1])
            numbers.append(int(number[1]) if number else None)
            times.append(float(row.time))
    return numbers, times


def _metres(rows: list[_Row]) -> list[Metre]:
    """Return the time signatures of the first ``**kern`` spine; one that cannot be read is an unknown metre."""
    metres = []
    for row in rows:
        token = row.kern[0][1] if row.kern else ""
        if token.startswith("*M") and not token.startswith("*MM"):
            written = _METRE.match(token)
            numerator, denominator = (int(written[1]), int(written[2])) if written else (0, 1)
            metres.append(Metre(float(row.time), numerator if denominator else 0, denominator or 1))
    return metres


def _parts(rows: list[_Row]) -> dict[int, int]:
    """Return the part number of each ``**kern`` spine."""
    spines = {column.spine for row in rows for column, _ in row.kern}
    basses = {column.spine for row in rows for column, token in row.kern if token == "*Ibass"}
    if len(basses) != 1:
        basses = set()
    return {spine: part for part, spine in enumerate(sorted(spines - basses))} | dict.fromkeys(basses, BASS)


def read_key(data: bytes) -> Key | None:
    """Return the labelled key: the first key designation (``*G:``, ``*d:dor``) of a ``**kern`` spine.

    Returns
    -------
    Key, or None if there is no designation

    Raises
    ------
    ReadError
        If the designation names none of the seven modes, or the file is none of Humdrum's.
    """
    for _, columns, tokens in _rows(data):
        for column, token in zip(columns, tokens, strict=True):
            if column.kind == "**kern" and _KEY.fullmatch(token):
                try:
                    return parse_key(token)
                except KeyNameError as error:
                    raise ReadError(str(error)) from None
    return None


def read_text_keys(data: bytes) -> list[tuple[float, Key]]:
    """Return the keys that ``**text`` spines announce, as in ``b-=>:I`` (B-flat minor from here on).

    Flats are written ``-`` or ``b``. What follows the colon is not read, and neither are key designations, which say
    something else in that corpus.

    Returns
    -------
    list of (onset, key)
        In quarter notes, ascending; a key that several spines announce at once is there once.

    Raises
    ------
    ReadError
        See `read_notes`.
    """
    found: list[tuple[float, Key]] = []
    for row in _timed_rows(data):
        for token in row.text if row.is_data else ():
            written = _TEXT_KEY.match(token)
            if written is not None:
                accidental = (written[2] or "").replace("b", "-")
                label = (float(row.time), parse_key(f"*{written[1]}{accidental}:"))
                if label not in found:
                    found.append(label)
    return found


def read_titles(data: bytes) -> list[str]:
    """Return titles (``!!!OTL``) and titles of the larger work (``!!!OPR``); used only to group variants.

    Raises
    ------
    ReadError
        If the file is too large.
    """
    return [title for kind, title in _reference_records(data) if kind in ("OTL", "OPR")]


def read_work(data: bytes) -> str | None:
    """Return the larger work that a piece is from (``!!!OPR``), None where it is not said.

    Raises
    ------
    ReadError
        If the file is too large.
    """
    return next((title for kind, title in _reference_records(data) if kind == "OPR"), None)


def _reference_records(data: bytes) -> list[tuple[str, str]]:
    """Return code, without language or number, and value of each reference record that has a value."""
    matches = (_RECORD.match(line) for line in _lines(data))
    return [(match[1], match[2].strip()) for match in matches if match is not None and match[2].strip()]
