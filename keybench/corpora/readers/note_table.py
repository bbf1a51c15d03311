"""Scores as tables of notes with an expert's keys beside each note: tab-separated text, plain or gzipped.

The tables give a row per note with its place and length in whole divisions of a quarter (`onset_div`,
`duration_div`), its place in quarters as a fraction (`quarterbeats_playthrough`), its MIDI pitch, staff and voice, and
the tonic (`localkey_tpc`, `globalkey_tpc`: steps on the line of fifths from C = 0) and mode of the keys in force.
Other columns are not read, so a table with all of its origin's columns and one with only these read alike.

What to know about the notes:

- Repeats are played out: an onset counts from the beginning of the performance, not of the page.
- Durations are scaled by the divisions of a quarter, the one whole number that turns every onset in quarters into the
  onset in divisions; a table for which there is none is refused.
- A grace note has duration 0 and stands where the note that it is written to begins; it is kept so.
- A tied note stands as the notes it is written with: the tables' mark for ties is not in every copy.
- Bars and accents are not known: `onset_beat` counts beats from the beginning of the piece, not of the bar.
- No part is marked as a bass.
"""

from __future__ import annotations

import gzip
import io
import zlib
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv

from keybench.corpora.readers.reading import LabelSpan, Reading
from keybench.errors import ReadError
from keybench.key import MAJOR, MINOR
from keybench.notes import Piece

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_MAX_BYTES = 64_000_000  # the longest table measured has 0.5 MB in fifteen columns, some six times that in all
_MAX_LINE = 1 << 16
_GZIP_MAGIC = b"\x1f\x8b"
_MAX_DIVISIONS = 1e12  # of a quarter; the finest table measured has 465,585,120
_TOLERANCE = 1e-6  # quarters
_TIMES = {"quarterbeats_playthrough": pa.string(), "onset_div": pa.int64(), "duration_div": pa.int64()}
_NOTES = {"pitch": pa.int64(), "staff": pa.int64(), "voice": pa.int64()}
_MODES = {"major": MAJOR, "minor": MINOR}
_NO_KEY = -1
_FARTHEST_TONIC = 30  # four signs: beyond what anybody writes


def read_notes(data: bytes) -> Reading:
    """Read the notes of one table.

    Parameters
    ----------
    data : bytes
        Content of a ``.tsv`` or ``.tsv.gz`` file.

    Returns
    -------
    Reading
        Onsets and durations in quarter notes, repeats played out; parts are the voices of the staves, numbered from
        the first voice of the highest staff; neither accents nor bars.

    Raises
    ------
    ReadError
        If the bytes are not such a table, or its times or pitches are not accepted.
    """
    columns = _columns(data, _TIMES | _NOTES)
    onset, duration = _times(columns)
    pitch = _whole_numbers(columns, "pitch")
    if pitch.min() < 0 or pitch.max() > 127:
        raise ReadError(f"pitch {pitch.min() if pitch.min() < 0 else pitch.max()}; accepted: MIDI numbers, 0 to 127")
    staff, voice = (_ranks(_whole_numbers(columns, name)) for name in ("staff", "voice"))
    return Reading(Piece(onset, duration, pitch.astype(float), part=_ranks(staff * (voice.max() + 1) + voice)))


def read_local_keys(data: bytes) -> list[LabelSpan]:
    """Read the local keys of one table.

    A key lasts from the first note that it stands beside to the first note that another key, or none, stands beside;
    the last one to the end of the note that sounds longest. Where no key is given there is no span. A key that is only
    spelled anew (C sharp minor, D flat minor) goes on.

    Returns
    -------
    list of LabelSpan
        In quarter notes, in order, without overlap.

    Raises
    ------
    ReadError
        If the bytes are not such a table, a mode is neither major nor minor, or notes that begin together have
        different keys.
    """
    columns = _columns(data, _TIMES | _key_columns("localkey"))
    onset, duration = _times(columns)
    key = _keys(columns, "localkey")
    places, place = np.unique(onset, return_inverse=True)
    key_at = np.full(len(places), _NO_KEY)
    np.maximum.at(key_at, place, key)
    torn = (key != _NO_KEY) & (key != key_at[place])
    if torn.any():
        raise ReadError(f"two local keys at quarter {onset[torn][0]:g}; accepted: one at a time")
    first = np.flatnonzero(np.append(True, key_at[1:] != key_at[:-1]))
    starts = places[first]
    ends = np.append(starts[1:], (onset + duration).max())
    return [
        LabelSpan(float(start), float(end), *_tonic_and_mode(code))
        for start, end, code in zip(starts, ends, key_at[first], strict=True)
        if code != _NO_KEY
    ]


def read_global_key(data: bytes) -> tuple[int, int] | None:
    """Read the key of the whole piece.

    Returns
    -------
    (tonic, mode) or None
        Pitch class and index into `keybench.key.MODES`; None where no key is given or more than one.

    Raises
    ------
    ReadError
        If the bytes are not such a table, or a mode is neither major nor minor.
    """
    found = np.unique(_keys(_columns(data, _key_columns("globalkey")), "globalkey"))
    found = found[found != _NO_KEY]
    return _tonic_and_mode(found[0]) if len(found) == 1 else None


def _key_columns(name: str) -> dict[str, Any]:
    return {f"{name}_tpc": pa.int64(), f"{name}_mode": pa.string()}


def _columns(data: bytes, types: dict[str, Any]) -> Any:
    """Return the named columns as an Arrow table with at least one row."""
    text = _unpacked(data)
    if max(map(len, text.split(b"\n"))) > _MAX_LINE:
        raise ReadError(f"a line of over {_MAX_LINE:,} bytes; accepted: lines of at most that")
    try:
        table = pyarrow.csv.read_csv(
            io.BytesIO(text),
            pyarrow.csv.ReadOptions(use_threads=False),
            pyarrow.csv.ParseOptions(delimiter="\t"),
            pyarrow.csv.ConvertOptions(include_columns=list(types), column_types=types),
        )
    except (pa.ArrowException, ValueError, KeyError) as error:
        reason = " ".join(str(error).replace("\x00", "").split())[:120]
        raise ReadError(f"no table of notes ({reason}); accepted: tab-separated columns {', '.join(types)}") from None
    if not len(table):
        raise ReadError("no notes; accepted: a table with at least one row")
    return table


def _unpacked(data: bytes) -> bytes:
    if data.startswith(_GZIP_MAGIC):
        try:
            with gzip.GzipFile(fileobj=io.BytesIO(data)) as file:
                data = file.read(_MAX_BYTES + 1)
        except (OSError, EOFError, zlib.error):
            raise ReadError("damaged gzip data; accepted: a whole .tsv.gz file, or plain text") from None
    if len(data) > _MAX_BYTES:
        raise ReadError(f"a table of over {_MAX_BYTES:,} bytes; accepted: at most that")
    return data


def _whole_numbers(columns: Any, name: str) -> IntArray:
    column = columns[name]
    if column.null_count:
        raise ReadError(f"column {name} has an empty field; accepted: a whole number for each note")
    return np.asarray(column.to_numpy(), dtype=np.int64)


def _ranks(values: IntArray) -> IntArray:
    """Return the place of each value among the distinct ones in ascending order, from 0."""
    return np.unique(values, return_inverse=True)[1].astype(np.int64)


def _times(columns: Any) -> tuple[FloatArray, FloatArray]:
    """Return onsets and durations in quarters, after checking the two kinds of onset against each other."""
    written = columns["quarterbeats_playthrough"].combine_chunks().dictionary_encode()
    onset = np.array([_quarters(text) for text in written.dictionary.to_pylist()])[written.indices.to_numpy()]
    onset_div, duration_div = (_whole_numbers(columns, name) for name in ("onset_div", "duration_div"))
    if onset.min() < 0 or duration_div.min() < 0:
        raise ReadError("a time before the beginning or a negative duration; accepted: zero or more")
    last = onset.argmax()
    if onset[last] == 0:
        raise ReadError("every note begins at 0, so that a quarter's divisions are unknown; accepted: a later note")
    divisions = round(min(int(onset_div[last]) / float(onset[last]), _MAX_DIVISIONS))
    if not 1 <= divisions < _MAX_DIVISIONS or np.abs(onset_div - onset * divisions).max() > _TOLERANCE * divisions:
        raise ReadError(
            "onset_div and quarterbeats_playthrough contradict each other; accepted: onsets in whole divisions of a"
            " quarter, as many for every note"
        )
    return onset, duration_div / divisions


def _quarters(text: str) -> float:
    numerator, _, denominator = text.partition("/")
    try:
        return int(numerator) / int(denominator or 1)
    except (ValueError, ArithmeticError):
        raise ReadError(f"quarterbeats_playthrough {text[:40]!r}; accepted: fractions such as 7 or 15/2") from None


def _keys(columns: Any, name: str) -> IntArray:
    """Return ``12 * mode + tonic`` for each note, `_NO_KEY` where tonic or mode is not given, shape (n_notes,)."""
    written = columns[f"{name}_mode"].combine_chunks().dictionary_encode()
    words = written.dictionary.to_pylist()
    unknown = sorted(set(words) - {"", *_MODES})
    if unknown:
        raise ReadError(f"{name}_mode {unknown[0][:40]!r}; accepted: {', '.join(_MODES)}")
    mode = np.array([_MODES.get(word, _NO_KEY) for word in words])[written.indices.to_numpy()]
    fifths = columns[f"{name}_tpc"]
    given = (mode != _NO_KEY) & ~np.asarray(fifths.is_null().to_numpy())
    steps = np.asarray(fifths.fill_null(0).to_numpy(), dtype=np.int64)
    if len(steps) and np.abs(steps).max() > _FARTHEST_TONIC:
        raise ReadError(
            f"{name}_tpc {steps[np.abs(steps).argmax()]}; accepted: steps on the line of fifths from C, "
            f"-{_FARTHEST_TONIC} to {_FARTHEST_TONIC}"
        )
    tonic = 7 * steps % 12
    return np.where(given, 12 * mode + tonic, _NO_KEY)


def _tonic_and_mode(code: int) -> tuple[int, int]:
    return int(code) % 12, int(code) // 12
