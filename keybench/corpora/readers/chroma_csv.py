"""Chroma of recordings as comma-separated text: a row per frame, twelve bins of the bass and twelve of the treble.

A row holds a file name (only the first row of a file has one), the time of the frame in seconds, and 24 energies: the
bass from A upwards, then the treble from A upwards. There is no heading. The file may be compressed with gzip.
"""

from __future__ import annotations

import gzip
import io
import zlib

import numpy as np
import numpy.typing as npt

from keybench.corpora.readers.reading import ChromaFrames
from keybench.errors import ReadError

MAX_BYTES = 20_000_000
"""Larger files, compressed or not, are refused: some five hours of frames 0.046 seconds apart."""

_N_NUMBERS = 25
_FIRST_BIN = 9  # pitch class of the first bin, A
_ACCEPTED = "rows of a file name or nothing, a time, and 24 energies of zero or more"


def read_chroma(data: bytes) -> ChromaFrames:
    """Read the frames of one recording.

    Parameters
    ----------
    data : bytes
        A whole file, plain or compressed with gzip.

    Returns
    -------
    ChromaFrames
        Times in seconds; bins from C upwards. The file name is not used.

    Raises
    ------
    ReadError
        If the file is too large, a damaged archive or empty, if a row has another number of columns or a value that
        is not a finite number of zero or more, or if the times do not ascend; the message names the line.
    """
    lines = _decompress(data).rstrip().split(b"\n")
    rows = [line.rsplit(b",", _N_NUMBERS) for line in lines]
    for number, row in enumerate(rows, 1):
        if len(row) != _N_NUMBERS + 1 or (b"," in row[0] and not row[0].startswith(b'"')):
            columns = lines[number - 1].count(b",") + 1
            raise ReadError(f"line {number} has {columns:,} column{'s' * (columns > 1)}; accepted: {_ACCEPTED}")
    table = _numbers([row[1:] for row in rows])
    time = table[:, 0]
    late = np.flatnonzero(np.diff(time) <= 0)
    if len(late):
        raise ReadError(
            f"the time on line {late[0] + 2} is not later than on the line before; accepted: times that ascend"
        )
    from_c = np.roll(table[:, 1:].reshape(-1, 2, 12), _FIRST_BIN, axis=2)
    return ChromaFrames(time, from_c[:, 0], from_c[:, 1])


def _decompress(data: bytes) -> bytes:
    """Return the text of a file, plain or compressed, of at most `MAX_BYTES`."""
    if data.startswith(b"\x1f\x8b"):
        try:
            with gzip.open(io.BytesIO(data)) as archive:
                data = archive.read(MAX_BYTES + 1)
        except (EOFError, OSError, zlib.error):
            raise ReadError(
                "the gzip archive is damaged or cut short; accepted: a whole .csv or .csv.gz file"
            ) from None
    if len(data) > MAX_BYTES:
        raise ReadError(f"more than {MAX_BYTES:,} bytes; accepted: at most {MAX_BYTES:,}")
    if not data.strip():
        raise ReadError(f"no frames; accepted: {_ACCEPTED}")
    return data


def _numbers(rows: list[list[bytes]]) -> npt.NDArray[np.float64]:
    """Convert equally long rows of text to finite numbers of zero or more."""
    try:
        table = np.array(rows).astype(np.float64)
    except ValueError:
        table = np.array([[_number(cell) for cell in row] for row in rows])
    bad = np.argwhere(~(np.isfinite(table) & (table >= 0)))
    if len(bad):
        row, column = bad[0]
        cell = rows[row][column][:20].decode("ascii", "replace").strip()
        raise ReadError(f"line {row + 1} holds {cell!r} in column {column + 2}; accepted: {_ACCEPTED}")
    return table


def _number(cell: bytes) -> float:
    try:
        return float(cell)
    except ValueError:
        return float("nan")
