"""ABC tunes: notes through symusic, labels from the ``K:`` line.

What an estimator must not see (titles, chord symbols, annotations) is cut from the text before the notes are read;
the ``K:`` line stays, since without it the pitches would be wrong, but only the pitches come back.

Choices, each checked against music21 in the tests:

- Repeats and part orders (``P:ABA``) are played out, as a listener would hear them.
- Grace notes, trills, fermatas, staccato dots and other marks are left out: a converter must invent lengths for them
  and takes those from the notes.
- A repeat whose beginning is only understood goes back to the last double bar.
- Bars are known from the note velocities that the converter writes (105 on the first note of a bar, 95 on other strong
  beats, 80 elsewhere: the defaults of the ABC-to-MIDI program inside symusic), so pickups need no guessing.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.errors import KeyNameError, ReadError
from keybench.key import Key, parse_abc_key
from keybench.notes import DOWNBEAT, STRONG, WEAK, Piece

_MAX_TUNE_CHARS = 200_000
# Fields that decide which notes sound, how long and in what order.
_MUSICAL_FIELDS = set("MLKVP")
_FIELD = re.compile(r"([A-Za-z]):")
_TRANSPOSE = re.compile(r"\s+(transpose|octave|score|sound|shift)=\S+")  # moves the sound away from the label
_INLINE_FIELD = re.compile(r"(\[[A-Za-z]:[^\]]*\])")
# Marks on notes, written out (!trill!, +trill+) or as letters, and the staccato dot. The converter would play trills,
# lengthen fermatas, halve staccato notes and change the loudness that tells where bars begin. Plus signs around notes
# alone are chords of an older ABC and stay.
_WRITTEN_MARK = re.compile(r"![^!\n]*!|\+(?![A-Ga-g0-9,'/^_=]*\+)[^+\s]+\+")
_LETTER_MARK = re.compile(r"[.~H-Wh-w]")
_BAR = re.compile(r"(:*\[?\|[|\]]*(?::+(?![|:]))?|::)")
_NOTE_OR_REST = re.compile(r"[A-Ga-gxz]")


def decode(data: bytes) -> str:
    """Return the text of a file: UTF-8 or, where it is not, Latin-1, in which every byte is a character."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def split_tunes(text: str) -> list[tuple[str, str]]:
    """Split the text of an ABC file into tunes.

    Returns
    -------
    list of (number, text)
        The value of each tune's ``X:`` field and its text from there on.
    """
    parts = re.split(r"(?m)^(?=X:)", text.replace("\r\n", "\n").replace("\r", "\n"))
    return [(part[2:].split("\n", 1)[0].split("%")[0].strip(), part) for part in parts if part.startswith("X:")]


def _fields(tune: str, letter: str) -> list[str]:
    return [value.split("%")[0].strip() for value in re.findall(rf"(?m)^{letter}:(.*)$", tune)]


def read_titles(tune: str) -> list[str]:
    """Return the titles of a tune (all ``T:`` fields); used only to group variants."""
    return [title for title in _fields(tune, "T") if title]


def read_key(tune: str) -> Key:
    """Return the labelled key: the first ``K:`` field, which in ABC ends the header.

    Raises
    ------
    ReadError
        If there is none, or it names none of the seven modes.
    """
    values = _fields(tune, "K")
    if not values:
        raise ReadError("no K: field; accepted: a tune whose header ends with a K: line")
    try:
        return parse_abc_key(values[0])
    except KeyNameError as error:
        raise ReadError(str(error)) from None


def _music_only(tune: str) -> str:
    """Return the tune without titles, words, chord symbols, annotations, grace notes and marks on notes."""
    lines = ["X:1"]
    in_header, in_text = True, False
    for raw in tune.split("\n")[1:]:
        if not raw.strip() and not in_header:
            break  # an empty line ends the tune (ABC 2.1, section 2.2.1)
        if raw.startswith("%%"):
            in_text = raw.startswith("%%begintext") or (in_text and not raw.startswith("%%endtext"))
        line = re.sub(r"(?<!\\)%.*", "", raw).rstrip()
        if not line or in_text:
            continue
        field = _FIELD.match(line)
        # After the header a note before a colon is a note before a repeat: no field there has such a letter.
        if field is not None and (in_header or field[1] not in "ABCDEFGabcdefg"):
            if field[1] in _MUSICAL_FIELDS:
                lines.append(_TRANSPOSE.sub("", line))
            if field[1] == "K" and in_header:
                lines.append("%%MIDI chordattack 0")  # notes of a chord begin together
                in_header = False
        elif not in_header:
            lines.append(_plain_music(line))
    return "\n".join(_mark_repeats(lines)) + "\n"


def _plain_music(line: str) -> str:
    line = re.sub(r'"[^"]*"', "", line)
    line = re.sub(r"\{[^}]*\}", "", line)
    parts = _INLINE_FIELD.split(line)  # music, field, music, ...
    parts[::2] = [_LETTER_MARK.sub("", _WRITTEN_MARK.sub("", music)) for music in parts[::2]]
    parts[1::2] = [_TRANSPOSE.sub("", field) if field[1] in _MUSICAL_FIELDS else "" for field in parts[1::2]]
    return "".join(parts)


def _mark_repeats(lines: list[str]) -> list[str]:
    """Write the beginning of a repeat where it is only understood: after the last double bar (ABC 2.1, section 4.8).

    The converter would go back to the beginning of the tune, or leave a first ending out.
    """
    split = [_BAR.split(line) if _FIELD.match(line) is None and not line.startswith("%") else [line] for line in lines]
    # Per voice: the last double bar that notes have followed, one that they have not yet, whether a repeat is open.
    states: dict[str, tuple[tuple[int, int] | None, tuple[int, int] | None, bool]] = {}
    voice = ""
    for i, parts in enumerate(split):
        if parts[0].startswith("V:"):
            voice = parts[0].split()[0]
            continue
        double, waiting, opened = states.get(voice, (None, None, False))
        for j, part in enumerate(parts):
            if j % 2 == 0:
                if waiting is not None and _NOTE_OR_REST.search(part):
                    double, waiting = waiting, None
                continue
            if part.startswith(":"):
                if double is not None and not opened:
                    split[double[0]][double[1]] = "|:"
                double, waiting, opened = None, None, False
            if part.endswith(":"):
                double, waiting, opened = None, None, True
            elif not part.startswith(":") and ("||" in part or "|]" in part):
                waiting = (i, j)
        states[voice] = (double, waiting, opened)
    return ["".join(parts) for parts in split]


@contextlib.contextmanager
def quiet_stdout() -> Iterator[None]:
    """Send file descriptor 1 to nowhere: the converter inside symusic writes its warnings there."""
    sys.stdout.flush()
    saved = os.dup(1)
    try:
        with open(os.devnull, "wb") as null:
            os.dup2(null.fileno(), 1)
        yield
    finally:
        os.dup2(saved, 1)
        os.close(saved)


def read_notes(tune: str) -> Piece:
    """Read the notes of one tune.

    Call it inside `quiet_stdout` to silence the converter.

    Parameters
    ----------
    tune : str
        ABC text from ``X:`` on.

    Returns
    -------
    Piece
        Onsets and durations in quarter notes; `accent` from the bar lines.

    Raises
    ------
    ReadError
        If nothing could be read.
    """
    import symusic

    if len(tune) > _MAX_TUNE_CHARS:
        raise ReadError(f"a tune of {len(tune):,} characters; accepted: at most {_MAX_TUNE_CHARS:,}")
    if not _fields(tune, "K"):
        raise ReadError("no K: field; accepted: a tune whose header ends with a K: line")
    if any(re.search(r"\d{3}", order) for order in _fields(tune, "P")):
        raise ReadError("a part order that plays a part 100 times or more; accepted: at most 99 times")
    try:
        score: Any = symusic.Score.from_abc(_music_only(tune))
    except Exception as error:  # the binding raises RuntimeError, ValueError or its own types
        reason = re.sub(r"\S*/\S*", "its file", str(error).strip().split("\n")[0])[:100].split(":")[0]
        raise ReadError(f"the ABC converter made nothing of it ({reason}); accepted: ABC 2.1") from None
    tracks = [(number, track.notes.numpy()) for number, track in enumerate(score.tracks) if len(track.notes)]
    if not tracks:
        raise ReadError("no notes; accepted: a tune with at least one note")
    ticks = float(score.ticks_per_quarter)
    # The converter starts each note a tick late and ends it on time; put both back.
    onset = np.concatenate([notes["time"] - 1 for _, notes in tracks]) / ticks
    duration = np.concatenate([notes["duration"] + 1 for _, notes in tracks]) / ticks
    velocity = np.concatenate([notes["velocity"] for _, notes in tracks]).astype(int)
    accent = np.select([velocity >= 105, velocity >= 95], [DOWNBEAT, STRONG], WEAK)
    accent[_pickup(onset, accent)] = WEAK
    return Piece(
        onset=onset,
        duration=duration,
        pitch=np.concatenate([notes["pitch"] for _, notes in tracks]).astype(float),
        part=np.concatenate([np.full(len(notes["time"]), number) for number, notes in tracks]),
        accent=accent,
    )


def _pickup(onset: npt.NDArray, accent: npt.NDArray) -> npt.NDArray[np.bool_]:
    """Mark the notes of an opening bar that is shorter than most: the converter takes its first note for a downbeat."""
    opens = np.unique(onset[accent == DOWNBEAT])
    gaps = np.diff(opens)
    if len(gaps) < 2 or gaps[0] > np.median(gaps) - 0.01:
        return np.zeros(len(onset), dtype=bool)
    before: npt.NDArray[np.bool_] = onset < opens[1] - 1e-6
    return before
