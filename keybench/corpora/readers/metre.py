"""Metre: time signatures, where bars begin, and how strong a note's place in its bar is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keybench.corpora.readers.reading import Bars
from keybench.notes import DOWNBEAT, STRONG, WEAK, FloatArray, IntArray

_TOLERANCE = 1e-6  # quarters: well under any note, well over rounding


@dataclass(frozen=True)
class Metre:
    """A time signature and where it begins.

    Parameters
    ----------
    onset : float
        In quarter notes.
    numerator, denominator : int
        As written; the numerator is 0 where the metre is not known.
    """

    onset: float
    numerator: int
    denominator: int

    @property
    def unit(self) -> float:
        """Length of the note that the denominator names, in quarters."""
        return 4 / self.denominator

    @property
    def bar(self) -> float:
        """Length of a full bar in quarters."""
        return self.numerator * self.unit

    @property
    def is_compound(self) -> bool:
        """Whether a beat has three units (6/8, 9/4, ...)."""
        return self.numerator > 3 and self.numerator % 3 == 0

    @property
    def group(self) -> float:
        """Distance in quarters between strong beats, from the first beat of the bar on (common practice, no source).

        Three units in compound metres, two where the bar has four units or a multiple, one in alla breve; elsewhere
        the bar has no strong beat besides its first.
        """
        if self.is_compound:
            return 3 * self.unit
        if self.numerator % 4 == 0:
            return 2 * self.unit
        if (self.numerator, self.denominator) == (2, 2):
            return self.unit
        return self.bar


def accents(onset: FloatArray, bars: Bars | None, metres: Sequence[Metre]) -> IntArray:
    """Return how strong the beat is that each note begins on.

    Parameters
    ----------
    onset : float array, shape (n_notes,)
        In quarter notes.
    bars : Bars, optional
        The first may be a pickup: it then ends where a full bar would.
    metres : sequence of Metre
        By onset. Each holds from the first bar that begins with it or later until the next.

    Returns
    -------
    int array, shape (n_notes,)
        `DOWNBEAT` on the first beat of a bar, `STRONG` on its other strong beats, else `WEAK`; all `WEAK` in bars
        whose metre is not known.
    """
    if bars is None or not metres:
        return np.full(len(onset), WEAK, dtype=np.int64)
    length = np.diff(np.append(bars.onset, bars.end))
    metre = np.searchsorted([m.onset for m in metres], bars.onset + _TOLERANCE, side="right") - 1
    full = np.array([m.bar for m in metres])[metre]
    group = np.array([m.group for m in metres])[metre]
    into = np.zeros(len(length))
    if len(length) > 1:
        into[0] = max(full[0] - length[0], 0.0)  # a pickup begins late in its bar

    bar = np.searchsorted(bars.onset, onset + _TOLERANCE, side="right") - 1
    position = onset - bars.onset[bar] + into[bar]
    beats = position / group[bar]
    on_group = (np.abs(beats - np.round(beats)) * group[bar] < _TOLERANCE) & (position < full[bar] - _TOLERANCE)
    strength = np.select([position < _TOLERANCE, on_group], [DOWNBEAT, STRONG], WEAK).astype(np.int64)
    known = (metre >= 0) & (full > 0)
    return np.where(known[bar], strength, WEAK)


def make_bars(numbers: Sequence[int | None], onsets: Sequence[float], end: float, beat: float) -> Bars | None:
    """Return the bars of a score from its bar lines.

    A bar line without a number, in a score that has numbers, stands within a bar (the repeat sign of a chorale before
    the next line's pickup) and begins none. Where no bar line has a number, all count, from 1.

    Parameters
    ----------
    numbers, onsets : sequences of one length
        Printed number, None where there is none, and time in quarters of each bar line, ascending.
    end : float
        Where the music ends, in quarters.
    beat : float
        See `Bars`.

    Returns
    -------
    Bars, or None without a bar line inside the music
        Music before the first of them is a bar of its own with the number before.
    """
    lines = [(number, onset) for number, onset in zip(numbers, onsets, strict=True) if onset < end - _TOLERANCE]
    if any(number is not None for number, _ in lines):
        numbered = [(number, onset) for number, onset in lines if number is not None]
    else:
        numbered = list(zip(range(1, len(lines) + 1), (onset for _, onset in lines), strict=True))
    if not numbered:
        return None
    if numbered[0][1] > _TOLERANCE:
        numbered.insert(0, (numbered[0][0] - 1, 0.0))
    number = np.array([n for n, _ in numbered], dtype=np.int64)
    onset = np.array([o for _, o in numbered], dtype=float)
    last_here = np.append(np.diff(onset) > _TOLERANCE, True)  # two bar lines at one place: the later names the bar
    return Bars(number[last_here], onset[last_here], end, beat)
