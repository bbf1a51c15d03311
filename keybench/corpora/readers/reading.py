"""What readers give back: the music of a piece and, from other functions, what its source says about its keys."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from keybench.notes import Piece


@dataclass(frozen=True)
class Bars:
    """Where the bars of a score begin, so that labels which speak of bars can be placed in time.

    Parameters
    ----------
    number : int array, shape (n_bars,)
        As printed; a pickup has 0 (or the number before the first full bar's).
    onset : float array, shape (n_bars,)
        In the unit of the notes, ascending.
    end : float
        Where the last bar ends.
    beat : float
        Length of a beat as time signatures count it (a quarter in 4/4, an eighth in 6/8), in the unit of the notes.
    """

    number: npt.NDArray[np.int64]
    onset: npt.NDArray[np.float64]
    end: float
    beat: float = 1.0


@dataclass(frozen=True)
class ChromaFrames:
    """Pitch-class energies of a recording.

    Parameters
    ----------
    time : float array, shape (n_frames,)
        Where each frame begins, in seconds, ascending.
    bass, treble : float arrays, shape (n_frames, 12)
        From C upwards, zero or more.
    """

    time: npt.NDArray[np.float64]
    bass: npt.NDArray[np.float64]
    treble: npt.NDArray[np.float64]


@dataclass(frozen=True)
class LabelSpan:
    """A stretch that the source labels with a key, or with a home note only.

    Parameters
    ----------
    start, end : float
        In the unit of the piece's notes.
    tonic : int
        Pitch class, 0 to 11.
    mode : int, optional
        Index into `keybench.key.MODES`; None where the source gives no mode.
    """

    start: float
    end: float
    tonic: int
    mode: int | None = None


@dataclass(frozen=True)
class Reading:
    """The music of one piece as a notes reader gives it; nothing in it comes from a label or a title.

    Parameters
    ----------
    notes : Piece
        Notes of a real bass part have the part number `keybench.notes.BASS`.
    bars : Bars, optional
    chroma : ChromaFrames, optional
    """

    notes: Piece
    bars: Bars | None = None
    chroma: ChromaFrames | None = None
