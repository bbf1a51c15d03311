"""What a transposition-tied model looks at in music of several parts, computed for all pieces at once.

A piece is cut into steps of about a beat. Each step knows which pitch classes sound in it and which one is the bass;
presence in a step says more about the key than the length of notes, since figuration and held notes then weigh alike.
From the steps come channels of five kinds, arrays (n, 12) over pitch classes that roll when the music is moved:

- what sounds, and what the bass is, in the whole piece and within 1 to 32 steps of either end;
- the sonorities at the ends: the first and last full chord, the notes that the piece ends with, their outer voices;
- chords: pairs of notes, triads and dominant sevenths that sound in a step, and those in root position;
- moves: how the bass goes from step to step, falls of a fifth with the leading note before them, leading notes that
  resolve;
- keys along the way: a window slides over the piece and is compared with a major and a minor profile; the channels
  hold how much of the time each key is the likely one, in the whole piece and near its ends. A histogram of a piece
  that modulates mixes its keys; a share of windows does not (cf. Temperley 2007, chapter 4, on local keys; the sum of
  local probabilities over time: this project).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from keybench.columns import offsets_of
from keybench.estimators.features import beats, duration_weights, edge_note, pitch_classes
from keybench.estimators.profile_data import PROFILES
from keybench.notes import NoteTable
from keybench.views.tables import time_since_start

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

_REACH = 16  # steps over which a held note is heard: a pedal of many bars fades
_FULL = 3  # pitch classes of a full chord
_NOTES_PER_BLOCK = 50_000  # pieces are worked on in blocks that stay in the cache

WINDOW, HOP = 16, 4
"""Steps in a window, and from one window to the next."""

WINDOW_SHARPNESS = 20.0
"""How sharply the correlations of a window are turned into shares (10 to 40 are hardly told apart)."""

WINDOW_PROFILE = "temperley-2007"
"""Whose major and minor profile windows are compared with: one made from none of the score corpora."""

_EDGES = (1, 2, 4, 8, 16, 32)  # steps from either end
_EDGE_WINDOWS = (1, 4, 8)
_CHORDS = {"major triad": (0, 4, 7), "minor triad": (0, 3, 7), "dominant seventh": (0, 4, 10),
           "diminished triad": (0, 3, 6), "diminished seventh": (1, 4, 7, 10)}  # fmt: skip
_ROOTED = ("major triad", "minor triad", "dominant seventh")


@dataclass(frozen=True)
class Steps:
    """Pieces cut into steps of about a beat; steps in which no note begins are left out.

    Parameters
    ----------
    sounds : bool array, shape (n_steps, 12)
        Which pitch classes sound in each step, held notes included.
    bass : int array, shape (n_steps,)
        Pitch class of the lowest note that sounds.
    offsets : int array, shape (n_pieces + 1,)
        Steps of piece i are ``offsets[i]:offsets[i + 1]``.
    """

    sounds: npt.NDArray[np.bool_]
    bass: IntArray
    offsets: IntArray


def sounding_steps(table: NoteTable) -> Steps:
    """Cut each piece into steps of twice its median distance between onsets, about a beat at any tempo."""
    n, piece, since = len(table), table.piece, time_since_start(table)
    beat = beats(table)
    beat = np.where(np.isnan(beat), 1.0, beat)[piece]
    place = np.floor(since / beat + 1e-6)  # a note just before a line of the grid by rounding belongs after it
    new = np.append(True, (np.diff(place) > 0) | (np.diff(piece) > 0))[: len(place)]
    step = np.cumsum(new) - 1
    offsets = offsets_of(np.bincount(piece[new], minlength=n))
    last_place = np.floor((since + table.duration) / beat - 1e-3)

    pc = pitch_classes(table)
    sounds = np.zeros((int(offsets[-1]), 12), dtype=bool)
    lowest = np.full(len(sounds), np.inf)
    heard, place_of_step, end_of_piece = np.arange(len(step)), place[new], offsets[piece + 1]
    for later in range(_REACH + 1):
        at = step[heard] + later
        if later:
            inside = at < end_of_piece[heard]
            inside[inside] = place_of_step[at[inside]] <= last_place[heard[inside]]
            heard, at = heard[inside], at[inside]
        sounds[at, pc[heard]] = True
        np.minimum.at(lowest, at, table.pitch[heard])
    return Steps(sounds, np.floor(lowest + 0.5).astype(np.int64) % 12, offsets)


def _share(sums: FloatArray) -> FloatArray:
    """Square roots of shares; zero where there is nothing to share."""
    total = sums.sum(axis=1, keepdims=True)
    shares: FloatArray = np.sqrt(sums / np.where(total > 0, total, 1.0))
    return shares


class _Sums:
    """Sums of an array over steps, shape (n_steps, 12), within stretches of each piece."""

    def __init__(self, offsets: IntArray):
        self.first, self.last = offsets[:-1], offsets[1:]
        self.n = len(self.first)

    def ends(self, stretch: str) -> tuple[IntArray, IntArray]:
        """First step and step after the last: ``all``, ``first k``, ``last k``, ``first quarter``, ``last quarter``."""
        which, _, size = stretch.partition(" ")
        if which == "all":
            return self.first, self.last
        # The part of a quarter that is left over belongs to it, so that the quarters of a short piece are not empty.
        k = -(-(self.last - self.first) // 4) if size == "quarter" else np.full(self.n, int(size))
        if which == "first":
            return self.first, np.minimum(self.first + k, self.last)
        return np.maximum(self.last - k, self.first), self.last

    def over(self, values: npt.NDArray, *stretches: str) -> list[FloatArray]:
        """Sum within each stretch; arrays (n_pieces, 12)."""
        running = np.concatenate([np.zeros((1, 12)), np.cumsum(values, axis=0, dtype=float)])
        found = []
        for stretch in stretches:
            first, last = self.ends(stretch)
            found.append(running[last] - running[first])
        return found

    def rates(self, values: npt.NDArray, *stretches: str) -> list[FloatArray]:
        """Square roots of the share of the steps in which a yes-or-no value holds."""
        found = []
        for stretch, total in zip(stretches, self.over(values, *stretches), strict=True):
            first, last = self.ends(stretch)
            found.append(np.sqrt(total / np.maximum(last - first, 1)[:, None]))
        return found


def _above(sounds: npt.NDArray[np.bool_], interval: int) -> npt.NDArray[np.bool_]:
    """Whether the pitch class that lies an interval above sounds."""
    return np.roll(sounds, -interval, axis=1)


def _stretches() -> tuple[str, ...]:
    return ("all", *(f"{side} {k}" for side in ("first", "last") for k in _EDGES))


def _ends_of_pieces(table: NoteTable, steps: Steps) -> list[FloatArray]:
    """Channels of single sonorities: see the names."""
    n, piece, pc = len(table), table.piece, pitch_classes(table)
    filled = np.flatnonzero(table.n_notes > 0)

    def one_hot(pitch_class: IntArray, rows: IntArray) -> FloatArray:
        out = np.zeros((n, 12))
        out[rows, pitch_class] = 1.0
        return out

    since = time_since_start(table)
    last_onset = np.zeros(n)
    last_onset[filled] = since[table.offsets[1:][filled] - 1]
    last_onset = last_onset[piece]
    closing = (since >= last_onset) | (since + table.duration > last_onset * (1 + 1e-9))
    final = np.zeros((n, 12))
    final[piece[closing], pc[closing]] = 1.0
    lowest, highest = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(lowest, piece[closing], table.pitch[closing])
    np.maximum.at(highest, piece[closing], table.pitch[closing])
    outer = [np.floor(edge[filled] + 0.5).astype(np.int64) % 12 for edge in (lowest, highest)]
    single = [edge_note(table, last=last)[filled] for last in (False, True)]
    channels = [_share(final), *(one_hot(pitch_class, filled) for pitch_class in (*outer, *single))]

    of_step = np.repeat(np.arange(n), np.diff(steps.offsets))
    full = np.flatnonzero(steps.sounds.sum(axis=1) >= _FULL)
    for last in (False, True):
        order = full[::-1] if last else full
        rows, index = np.unique(of_step[order], return_index=True)
        chord = np.zeros((n, 12))
        chord[rows] = steps.sounds[order[index]]
        channels += [_share(chord), one_hot(steps.bass[order[index]], rows)]
    return channels


def _profile_keys() -> FloatArray:
    """Return the rotations of a major and a minor profile, less their mean and of unit length, shape (12, 24)."""
    pair = PROFILES[WINDOW_PROFILE]
    keys = np.stack([np.roll(np.array(profile), tonic) for profile in (pair.major, pair.minor) for tonic in range(12)])
    return _standard(keys).T


def _standard(weights: FloatArray) -> FloatArray:
    centred = weights - weights.mean(axis=1, keepdims=True)
    length = np.sqrt((centred**2).sum(axis=1, keepdims=True))
    unit: FloatArray = centred / np.where(length > 1e-9, length, 1.0)
    return unit


def _keys_along_the_way(steps: Steps) -> list[FloatArray]:
    """Square roots of the mean share of each major, then minor key over windows, in several stretches of windows."""
    running = np.concatenate([np.zeros((1, 12)), np.cumsum(steps.sounds, axis=0, dtype=float)])
    lengths = np.diff(steps.offsets)
    windows = np.where(lengths > 0, -(-np.maximum(lengths - WINDOW, 0) // HOP) + 1, 0)
    offsets = offsets_of(windows)
    piece = np.repeat(np.arange(len(lengths)), windows)
    place = np.arange(offsets[-1]) - offsets[piece]
    first = steps.offsets[piece] + np.minimum(HOP * place, np.maximum(lengths[piece] - WINDOW, 0))
    last = np.minimum(first + WINDOW, steps.offsets[piece + 1])
    scores = WINDOW_SHARPNESS * _standard(running[last] - running[first]) @ _profile_keys()
    shares = np.exp(scores - scores.max(axis=1, keepdims=True, initial=-np.inf))
    shares /= shares.sum(axis=1, keepdims=True)
    sums = _Sums(offsets)
    by_mode = [sums.rates(shares[:, mode : mode + 12], *_window_stretches()) for mode in (0, 12)]
    return [channel for pair in zip(*by_mode, strict=True) for channel in pair]


def _window_stretches() -> tuple[str, ...]:
    sides = ("first", "last")
    return ("all", *(f"{side} {k}" for side in sides for k in _EDGE_WINDOWS), *(f"{side} quarter" for side in sides))


def _chords_and_moves(steps: Steps) -> list[FloatArray]:
    """Channels of what sounds together and what follows what, from step to step."""
    sums, sounds = _Sums(steps.offsets), steps.sounds
    is_bass = steps.bass[:, None] == np.arange(12)
    channels = [sums.rates(sounds & _above(sounds, i), "all")[0] for i in range(1, 7)]
    for name, notes in _CHORDS.items():
        chord = np.logical_and.reduce([_above(sounds, i) for i in notes])
        if name in _ROOTED:
            channels += sums.rates(chord, "all", "first 16", "last 16")
            channels += sums.rates(chord & is_bass, "all")
        else:
            channels += sums.rates(chord, "all")
    before = np.maximum(np.arange(len(sounds)) - 1, 0)
    opens = np.zeros(len(sounds), dtype=bool)
    opens[steps.offsets[:-1][np.diff(steps.offsets) > 0]] = True
    sounded, was_bass = sounds[before] & ~opens[:, None], is_bass[before] & ~opens[:, None]
    for i in range(1, 12):
        channels.append(_share(sums.over(is_bass & np.roll(was_bass, i, axis=1), "all")[0]))
    leading = _above(sounded, 11)
    close = is_bass & _above(was_bass, 7) & leading
    channels += sums.rates(close, "all")
    channels += [_share(s) for s in sums.over(close, "all", "first quarter", "last quarter", "first 32", "last 32")]
    resolved = sounds & leading & ~_above(sounds, 11)
    channels += [_share(s) for s in sums.over(resolved, "all", "first 32", "last 32")]
    return channels


def _block(table: NoteTable) -> Float32Array:
    steps = sounding_steps(table)
    sums = _Sums(steps.offsets)
    channels = [_share(duration_weights(table))]
    for values in (steps.sounds, steps.bass[:, None] == np.arange(12)):
        channels += [_share(total) for total in sums.over(values, *_stretches())]
    channels += _ends_of_pieces(table, steps) + _chords_and_moves(steps) + _keys_along_the_way(steps)
    return np.stack(channels, axis=1).astype(np.float32)


def score_channels(table: NoteTable) -> Float32Array:
    """Describe each piece by the channels of `SCORE_CHANNEL_NAMES`, shape (n, n_channels, 12), float32."""
    if not len(table):
        return np.zeros((0, len(SCORE_CHANNEL_NAMES), 12), dtype=np.float32)
    blocks = np.cumsum(table.n_notes) // _NOTES_PER_BLOCK
    cuts = np.flatnonzero(np.diff(blocks, prepend=-1, append=-1))
    return np.concatenate([_block(table[a:b].detach()) for a, b in pairwise(cuts)])


def _in(stretch: str, unit: str) -> str:
    which, _, size = stretch.partition(" ")
    if which == "all":
        return ""
    if size == "quarter":
        return f" in the {stretch}"
    return f" in the {stretch} {unit}" if size != "1" else f" in the {which} {unit.removesuffix('s')}"


SCORE_CHANNEL_NAMES: tuple[str, ...] = (
    "heard",
    *(f"sounding{_in(s, 'beats')}" for s in _stretches()),
    *(f"bass{_in(s, 'beats')}" for s in _stretches()),
    "final sonority", "lowest final note", "highest final note", "first note", "last note",
    "first full chord", "bass of the first full chord", "last full chord", "bass of the last full chord",
    *(f"sounding with note {i} above" for i in range(1, 7)),
    *(
        text
        for chord in _CHORDS
        for text in (
            (chord, f"{chord} in the first 16 beats", f"{chord} in the last 16 beats", f"{chord} in root position")
            if chord in _ROOTED
            else (chord,)
        )
    ),
    *(f"bass moved up {i}" for i in range(1, 12)),
    "bass falls a fifth from the leading note's chord",
    *(f"share of such falls{_in(s, 'beats')}" for s in ("all", "first quarter", "last quarter", "first 32", "last 32")),
    *(f"leading note resolved{_in(s, 'beats')}" for s in ("all", "first 32", "last 32")),
    *(f"windows in {mode}{_in(s, 'windows')}" for s in _window_stretches() for mode in ("major", "minor")),
)  # fmt: skip
"""Names of the channels of `score_channels`, in order."""
