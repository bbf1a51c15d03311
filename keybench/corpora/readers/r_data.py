"""Jazz solos from data frames of R (``.rda``): solo lines, the bass note of each beat, and keys.

Three files belong together, each one data frame with a column ``melid``, the number of a solo:

- note events: ``onset`` in seconds, ``pitch_raw`` (MIDI), ``articulation_raw``, ``durclass_abs_raw``, and the place in
  the bar as ``period`` (beats of the bar), ``beat`` and ``tatum`` (part of the beat), each counted from 1;
- beats: ``onset`` and ``duration`` in seconds, ``period``, ``beat``, and ``bass``, a MIDI note that was estimated from
  the recording, absent where there is none;
- descriptions: ``key``, ``title`` and more.

Choices:

- A solo goes by its number: the column ``id`` tells player and title.
- Notes have no duration in the files but its ratio to the time until the next onset (``articulation_raw``), from which
  it follows. The last note of a solo has no next onset: it lasts as its class of duration says, half a second times a
  power of two (``durclass_abs_raw``, -2 for very short to 2 for very long).
- Beat 1 is a downbeat and beat 3 of 4 is strong; of the solo, only notes on the beat itself (tatum 1). Music that is
  counted in bars of one beat has no metre, and all of it is weak.
- A beat with a bass note strikes it anew, and it lasts for the beat.

The files are read by the package pyreadr, which is optional.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from keybench.corpora.readers.reading import Reading
from keybench.errors import ReadError
from keybench.key import DORIAN, MAJOR, MINOR, MIXOLYDIAN
from keybench.notes import BASS, DOWNBEAT, STRONG, WEAK, Piece

MAX_BYTES = 32_000_000
"""Larger files are refused; the largest of the collection has 2.7 million bytes."""

SOLO = 0
"""Part number of the solo line."""

_LARGEST_NUMBER = 2**31 - 1  # of R's integers

FloatArray = npt.NDArray[np.float64]

_KEY = re.compile(r"([A-G])([#b]?)(?:-([a-z]+))?")
_PITCH_CLASSES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
# "Chromatic" and "blues" stand for none of the seven modes: a home note is all that they tell.
_MODES = {"maj": MAJOR, "min": MINOR, "dor": DORIAN, "mix": MIXOLYDIAN, "chrom": None, "blues": None, None: None}


def read_solos(transforms: bytes) -> dict[str, Reading]:
    """Read the solo lines from the note events.

    Parameters
    ----------
    transforms : bytes
        A whole file.

    Returns
    -------
    dict of str to Reading
        By number of the solo, ascending. Times in seconds; all notes are of the part `SOLO`.

    Raises
    ------
    ReadError
        If pyreadr is not installed, the file cannot be read, a column is absent or holds what it should not, or the
        onsets of a solo go back.
    """
    names = ("onset", "pitch_raw", "articulation_raw", "durclass_abs_raw", "period", "beat", "tatum")
    solo, table = _columns(_read_frame(transforms), names, may_lack="articulation_raw")
    onset = table["onset"]
    last = np.flatnonzero(np.diff(solo, append=-1))
    until_next = np.append(np.diff(onset), 0.0)
    until_next[last] = 0.0
    if (until_next < 0).any():
        raise ReadError(f"the onsets of solo {solo[until_next < 0][0]} go back; accepted: notes in order of time")
    share = table["articulation_raw"]
    share[last] = 0.0
    _refuse(
        share, ~(np.isfinite(share) & (share >= 0)), "articulation_raw", solo, "zero or more, but for the last note"
    )
    classes = table["durclass_abs_raw"]
    _refuse(classes, np.abs(classes) > 2, "durclass_abs_raw", solo, "-2 to 2")
    duration = until_next * share
    duration[last] = 0.5 * 2.0 ** classes[last]
    accent = np.where(table["tatum"] == 1, _accents(table["period"], table["beat"]), WEAK)
    return {
        number: Reading(piece) for number, piece in _pieces(solo, onset, duration, table["pitch_raw"], SOLO, accent)
    }


def read_bass(beats: bytes) -> dict[str, Piece]:
    """Read the estimated bass notes from the beats.

    Parameters
    ----------
    beats : bytes
        A whole file.

    Returns
    -------
    dict of str to Piece
        By number of the solo, ascending, without solos that have no bass note. Times in seconds; all notes are of the
        part `BASS`.

    Raises
    ------
    ReadError
        If pyreadr is not installed, the file cannot be read, or a column is absent or holds what it should not.
    """
    names = ("onset", "duration", "period", "beat", "bass")
    solo, table = _columns(_read_frame(beats), names, may_lack="bass")
    _refuse(table["duration"], table["duration"] < 0, "duration", solo, "zero or more")
    plays = np.isfinite(table["bass"])
    onset, duration, period, beat, pitch = (table[name][plays] for name in names)
    return dict(_pieces(solo[plays], onset, duration, pitch, BASS, _accents(period, beat)))


def merge(solo: Reading, bass: Piece | None) -> Reading:
    """Return a solo with its bass line, or as it is where there is none."""
    if bass is None:
        return solo
    columns = {
        name: np.concatenate([getattr(solo.notes, name), getattr(bass, name)])
        for name in ("onset", "duration", "pitch", "part", "accent")
    }
    return Reading(Piece(**columns))


def read_keys(descriptions: bytes) -> dict[str, tuple[int, int | None]]:
    """Read the keys from the descriptions.

    Parameters
    ----------
    descriptions : bytes
        A whole file.

    Returns
    -------
    dict of str to (int, int or None)
        By number of the solo, without solos that have no key: pitch class of the home note, and the index of the mode
        or None where the text names none (``Ab``) or one that is no scale of seven notes (``D-chrom``, ``Bb-blues``).

    Raises
    ------
    ReadError
        As `read_bass`, and if a key is written in a way that is not known.
    """
    return {number: _parse_key(text, number) for number, text in _texts(descriptions, "key") if text}


def read_titles(descriptions: bytes) -> dict[str, tuple[str, ...]]:
    """Return the titles by number of the solo; used only to group versions of a tune, and never shown.

    Raises
    ------
    ReadError
        As `read_bass`.
    """
    return {number: (title,) if title else () for number, title in _texts(descriptions, "title")}


def _read_frame(data: bytes) -> pd.DataFrame:
    if len(data) > MAX_BYTES:
        raise ReadError(f"a file of {len(data):,} bytes; accepted: at most {MAX_BYTES:,}")
    try:
        import pyreadr
    except ImportError:
        raise ReadError(
            "R data files need the package pyreadr; install it with: pip install 'keybench[corpora]'"
        ) from None
    with tempfile.TemporaryDirectory() as folder:  # pyreadr reads from paths only
        path = Path(folder) / "data.rda"
        path.write_bytes(data)
        try:
            frames = list(pyreadr.read_r(str(path)).values())
        except Exception:  # its own error, or whatever its conversion to tables stumbles on
            raise ReadError("the file is damaged or no R data; accepted: a whole .rda file") from None
    if len(frames) != 1:
        raise ReadError(f"the file holds {len(frames)} objects; accepted: one data frame")
    return frames[0]


def _columns(
    frame: pd.DataFrame, names: tuple[str, ...], may_lack: str
) -> tuple[npt.NDArray[np.int64], dict[str, FloatArray]]:
    """Return the number of the solo and the named columns, sorted by solo and otherwise in the order of the file.

    All values are finite, but for the column that may lack some; times are not negative.
    """
    numbers = _solo_numbers(frame)
    order = np.argsort(numbers, kind="stable")
    solo = numbers[order]
    table = {}
    for name in names:
        column = _numeric(frame, name)[order]
        if name != may_lack:
            _refuse(column, ~np.isfinite(column), name, solo, "finite numbers")
        table[name] = column
    _refuse(table["onset"], table["onset"] < 0, "onset", solo, "zero or more")
    return solo, table


def _solo_numbers(frame: pd.DataFrame) -> npt.NDArray[np.int64]:
    numbers = _numeric(frame, "melid")
    whole = len(numbers) and np.isfinite(numbers).all() and (numbers == np.floor(numbers)).all()
    if not whole or numbers.min() < 0 or numbers.max() > _LARGEST_NUMBER:
        raise ReadError("column 'melid' does not number the solos; accepted: one row or more, whole numbers from 0 up")
    return numbers.astype(np.int64)


def _numeric(frame: pd.DataFrame, name: str) -> FloatArray:
    series = _column(frame, name)
    try:
        column = pd.to_numeric(series).to_numpy(dtype=np.float64, na_value=np.nan)
    except (TypeError, ValueError):
        raise ReadError(f"column {name!r} holds other things than numbers; accepted: numbers") from None
    return np.where(np.isnan(column), np.nan, column)  # R's NA is a signalling NaN: arithmetic with it would warn


def _column(frame: pd.DataFrame, name: str) -> pd.Series:
    count = list(frame.columns).count(name)
    if count != 1:
        raise ReadError(f"{count or 'no'} columns {name!r}; accepted: a data frame with one")
    return frame[name]


def _refuse(
    column: FloatArray, bad: npt.NDArray[np.bool_], name: str, solo: npt.NDArray[np.int64], accepted: str
) -> None:
    if bad.any():
        raise ReadError(f"column {name!r} holds {column[bad][0]:g} in solo {solo[bad][0]}; accepted: {accepted}")


def _texts(descriptions: bytes, name: str) -> Iterator[tuple[str, str]]:
    """Yield the number of each solo and a text column of it, empty where absent."""
    frame = _read_frame(descriptions)
    for number, value in zip(_solo_numbers(frame), _column(frame, name), strict=True):
        yield str(number), value.strip() if isinstance(value, str) else ""


def _parse_key(text: str, number: str) -> tuple[int, int | None]:
    match = _KEY.fullmatch(text)
    if match is None or match[3] not in _MODES:
        modes = ", ".join(f"-{mode}" for mode in _MODES if mode)
        raise ReadError(
            f"cannot read the key {text[:30]!r} of solo {number}; accepted: A to G, # or b, then one of {modes}"
        )
    shift = {"#": 1, "b": -1, "": 0}[match[2]]
    return (_PITCH_CLASSES[match[1]] + shift) % 12, _MODES[match[3]]


def _accents(period: FloatArray, beat: FloatArray) -> npt.NDArray[np.int64]:
    return np.select([(beat == 1) & (period > 1), (beat == 3) & (period == 4)], [DOWNBEAT, STRONG], WEAK)


def _pieces(
    solo: npt.NDArray[np.int64],
    onset: FloatArray,
    duration: FloatArray,
    pitch: FloatArray,
    part: int,
    accent: npt.NDArray[np.int64],
) -> Iterator[tuple[str, Piece]]:
    """Cut columns that are sorted by solo into pieces."""
    numbers, starts = np.unique(solo, return_index=True)
    for number, a, b in zip(numbers, starts, np.append(starts[1:], len(solo)), strict=True):
        rows = slice(a, b)
        yield str(number), Piece(onset[rows], duration[rows], pitch[rows], np.full(b - a, part), accent[rows])
