"""Scores that partitura has parsed, as readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from keybench.corpora.readers.metre import Metre, accents, make_bars
from keybench.corpora.readers.reading import Reading
from keybench.notes import FloatArray, IntArray, Piece

_TOLERANCE = 1e-6  # quarters: well under any note, well over rounding


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
