"""What scores have in common: the accents of notes by bar and metre, and partitura's scores as readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from keybench.corpora.readers.reading import Bars, Reading
from keybench.notes import DOWNBEAT, STRONG, WEAK, FloatArray, IntArray, Piece

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


def reading_of(parts: Sequence[Any]) -> Reading | None:
    """Return the notes and bars of a score that partitura has read.

    Tied notes are one note, grace notes are left out, and instruments that transpose sound where they sound. Repeats
    are not played out. A bar is as long in all parts as in the longest that has notes in it: a part that leaves it
    short waits for the others, and rests alone make no bar longer (whole-bar rests are often written too long).

    Parameters
    ----------
    parts : sequence of partitura.score.Part
        From the lowest; they become parts 0, 1, ...

    Returns
    -------
    Reading, or None if there are no notes
        In quarter notes.
    """
    voices = [_read_part(part) for part in parts]
    if not any(len(voice.onset) for voice in voices):
        return None
    begins = _common_begins(voices)
    onset = np.concatenate([voice.moved(voice.onset, begins) for voice in voices])
    metres = [
        Metre(float(voice.moved(np.array([m.onset]), begins)[0]), m.numerator, m.denominator)
        for voice in voices[-1:]  # the metre is the same in all parts
        for m in voice.metres
    ]
    bars = make_bars(voices[-1].bar_number, begins[:-1].tolist(), begins[-1], metres[0].unit if metres else 1.0)
    piece = Piece(
        onset=onset,
        duration=np.concatenate([voice.duration for voice in voices]),
        pitch=np.concatenate([voice.pitch for voice in voices]),
        part=np.repeat(np.arange(len(voices)), [len(voice.onset) for voice in voices]),
        accent=accents(onset, bars, metres),
    )
    return Reading(piece, bars)


@dataclass(frozen=True)
class _Voice:
    """One part with times of its own, in quarters: bars of shape (n_bars,) and notes of shape (n_notes,)."""

    bar_onset: FloatArray
    bar_length: FloatArray
    bar_number: list[int | None]
    onset: FloatArray
    duration: FloatArray
    pitch: FloatArray
    metres: list[Metre]

    def bar_of(self, time: FloatArray) -> IntArray:
        """Return the index of the bar that each time falls into."""
        return np.maximum(np.searchsorted(self.bar_onset, time + _TOLERANCE, side="right") - 1, 0)

    def moved(self, time: FloatArray, begins: FloatArray) -> FloatArray:
        """Return times of this part as times of the whole score, in which bar i begins at ``begins[i]``."""
        if not len(self.bar_onset):
            return time
        bar = self.bar_of(time)
        moved: FloatArray = begins[bar] + time - self.bar_onset[bar]
        return moved


def _read_part(part: Any) -> _Voice:
    """Return bars, notes and metres of one of partitura's parts."""
    from partitura.score import GraceNote, Measure, TimeSignature, Transposition

    measures = list(part.iter_all(Measure))
    notes = [note for note in part.notes_tied if not isinstance(note, GraceNote)]
    start = np.array([note.start.t for note in notes], dtype=np.int64)
    onset = _quarters(part, start)
    bar_onset = _quarters(part, np.array([measure.start.t for measure in measures], dtype=np.int64))
    bar_end = _quarters(part, np.array([measure.end.t for measure in measures], dtype=np.int64))
    moves = [(change.start.t, change.chromatic or 0) for change in part.iter_all(Transposition)]
    semitones = np.array([0, *(chromatic for _, chromatic in moves)])
    move = np.searchsorted([time for time, _ in moves], start, side="right")
    signatures = list(part.iter_all(TimeSignature))
    times = _quarters(part, np.array([signature.start.t for signature in signatures], dtype=np.int64))
    return _Voice(
        bar_onset=bar_onset,
        bar_length=bar_end - bar_onset,
        bar_number=[int(measure.name) if (measure.name or "").isdecimal() else None for measure in measures],
        onset=onset,
        duration=_quarters(part, np.array([note.end_tied.t for note in notes], dtype=np.int64)) - onset,
        pitch=np.array([note.midi_pitch for note in notes], dtype=float) + semitones[move],
        metres=[Metre(float(t), s.beats, s.beat_type) for t, s in zip(times, signatures, strict=True)],
    )


def _quarters(part: Any, ticks: IntArray) -> FloatArray:
    """Return partitura's times in quarters from the beginning of the part (its own map counts from the first full bar).

    The length of a quarter in ticks may change on the way.
    """
    table = np.asarray(part.quarter_durations(), dtype=float)
    change, per_quarter = table[:, 0], table[:, 1]
    before = np.concatenate([[0.0], np.cumsum(np.diff(change) / per_quarter[:-1])])
    stretch = np.maximum(np.searchsorted(change, ticks, side="right") - 1, 0)
    quarters: FloatArray = before[stretch] + (ticks - change[stretch]) / per_quarter[stretch]
    return quarters


def _common_begins(voices: Sequence[_Voice]) -> FloatArray:
    """Return where each bar of the whole score begins and the last one ends, shape (n_bars + 1,)."""
    n_bars = max(len(voice.bar_onset) for voice in voices)
    lengths = np.full((len(voices), n_bars), np.nan)
    sounding = np.full((len(voices), n_bars), np.nan)
    for i, voice in enumerate(voices):
        lengths[i, : len(voice.bar_length)] = voice.bar_length
        with_notes = np.unique(voice.bar_of(voice.onset))
        sounding[i, with_notes] = voice.bar_length[with_notes]
    silent = np.isnan(sounding).all(axis=0)
    sounding[:, silent] = np.nanmin(lengths[:, silent], axis=0)
    return np.concatenate([[0.0], np.cumsum(np.nanmax(sounding, axis=0))])
