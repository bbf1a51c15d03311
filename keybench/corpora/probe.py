"""A probe corpus: bass riffs that a seeded generator makes, whose home note and mode are known because we chose them.

Synthetic music answers questions that collections cannot ("how many notes until Dorian can be told from minor?",
"what if every chromatic note is a passing note?"), since one dial turns while all else stays. It says nothing about how
often a method is right on music that people play: never a headline, always marked as synthetic.

What a riff is: a pattern of one or two bars in 4/4 and eighths, repeated with variations, for a four-string bass (E1 to
G3). The first bar of the pattern stands on home, a second bar on home or another note of the scale; fifths, octaves and
thirds on the beats, steps between, a step or a fifth into the next bar. All of it is common practice, no source.

What counts as true:

- The home note is the one that was dialled or drawn; the pattern comes back to it on its first beat.
- The acceptable modes of a section are *all* modes whose scale, built on the home note, holds every note of the section
  but its chromatic passing notes. A riff in the whole scale sounds every note that this needs to leave one mode only.
- A pentatonic riff leaves three: the five notes of C D E G A belong to major, Lydian and Mixolydian on C, those of
  C E-flat F G B-flat to Dorian, Phrygian and minor. Locrian has no fifth; its riffs use C E-flat F A-flat B-flat, which
  Phrygian, minor and Locrian share. (Each has the pattern of the black keys, and no scale degree that tells these
  modes apart.)
- A riff that changes key has a labelled stretch for each section, and as a whole accepts the keys of both. A labelled
  stretch that more than one mode fits has a home note only.

The generator draws nothing but raw uniform numbers, in an order that does not depend on the tonic, so that a seed gives
the same riff on every machine and, moved, on every tonic (but for notes below the lowest string, raised an octave).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np
import numpy.typing as npt

from keybench.corpora.readers.reading import LabelSpan
from keybench.errors import ExperimentError
from keybench.key import (
    DORIAN,
    HAS_MINOR_THIRD,
    LOCRIAN,
    LYDIAN,
    MAJOR,
    MINOR,
    MIXOLYDIAN,
    MODES,
    N_MODES,
    PHRYGIAN,
    SCALE_STEPS,
    SCALES,
    Key,
)
from keybench.notes import BASS, DOWNBEAT, STRONG, WEAK, Piece

BoolArray = npt.NDArray[np.bool_]

RIVALS: dict[int, int] = {
    MAJOR: MIXOLYDIAN,
    DORIAN: MINOR,
    PHRYGIAN: MINOR,
    LYDIAN: MAJOR,
    MIXOLYDIAN: MAJOR,
    MINOR: DORIAN,
    LOCRIAN: PHRYGIAN,
}
"""The neighbour that each mode is told from by its telling note: on one tonic the two scales differ in one note."""

# The notes of each mode, and the five of a pentatonic riff, in semitones above home.
_SCALES = [frozenset(steps.tolist()) for steps in SCALE_STEPS]
_STEPS = [steps.tolist() for steps in SCALE_STEPS]
_PENTATONIC = [
    frozenset({0, 3, 5, 8, 10} if mode == LOCRIAN else {0, 3, 5, 7, 10} if HAS_MINOR_THIRD[mode] else {0, 2, 4, 7, 9})
    for mode in range(N_MODES)
]
# Scale degree, 0 to 6, of the note that a mode has and its rival has not.
_TELLING_DEGREE = [_STEPS[mode].index(min(_SCALES[mode] - _SCALES[RIVALS[mode]])) for mode in range(N_MODES)]

_LOWEST_STRING = 28  # E1
_BAR = 8  # eighths
# Rhythms of one bar, an x where a note begins; the last two, for second bars only, let the bar line pass.
_RHYTHMS = (
    "x.x.x.x.", "xxxxxxxx", "x..x..x.", "x..x.xx.", "x.xx.x..", "xx.x..x.", "x..xx.x.", "x.x..xxx",
    "xxx.x.x.", "x..x.x.x", "x.xxx.xx", "xx.xxxx.", ".xx.x.x.", ".x.xx.xx",
)  # fmt: skip
_N_ON_THE_BEAT = 12
# Scale steps above home: 0 is home, 4 the fifth, 7 the octave, -1 the note below.
_LOWEST_STEP, _HIGHEST_STEP = -2, 9
_MAX_PASSING = 0.2
_MAX_LENGTH = 64
_ATTEMPTS = 400


@dataclass(frozen=True)
class Dials:
    """What a riff is to be like.

    Parameters
    ----------
    mode : int
        Index into `keybench.key.MODES`; that of the opening section.
    tonic : int, optional
        Pitch class of home, 0 to 11; drawn from the seed by default.
    open_on_home : bool
        Whether the first note is home; otherwise it is another note of the scale, and home follows.
    close_on_home : bool
        Whether the last bar is a held home note; otherwise the riff breaks off on another note.
    pentatonic_only : bool
        Use five notes of the scale, none of which tells the mode from its rival.
    chromatic_passing : float
        Share of the notes that are chromatic passing notes, off the beat between two neighbours of the scale a whole
        step apart; 0 to 0.2. With a key change, of each section's notes.
    telling_note_at : int, optional
        The telling note (which the mode has and its rival in `RIVALS` has not) first sounds as this note of the riff,
        counted from 1; wherever it falls by default.
    parallel_change : int, optional
        The mode in which the second half repeats the pattern, on the same home note.
    riff_repeated_in_another_key : int, optional
        How many semitones the second half is the first half moved up, -11 to 11; its octave is the lowest playable.
    length : int
        Bars, 2 to 64; with a key change an even number from 4.

    Raises
    ------
    ExperimentError
        If a value lies outside its range, or dials contradict each other.
    """

    mode: int
    tonic: int | None = None
    open_on_home: bool = True
    close_on_home: bool = True
    pentatonic_only: bool = False
    chromatic_passing: float = 0.0
    telling_note_at: int | None = None
    parallel_change: int | None = None
    riff_repeated_in_another_key: int | None = None
    length: int = 8

    def __post_init__(self) -> None:
        for mode in (self.mode, self.parallel_change):
            if mode is not None and mode not in range(N_MODES):
                raise ExperimentError(f"mode {mode!r} of a riff; accepted: 0 to {N_MODES - 1}")
        if self.tonic is not None and self.tonic not in range(12):
            raise ExperimentError(f"tonic {self.tonic!r} of a riff; accepted: pitch classes 0 to 11")
        if not 0 <= self.chromatic_passing <= _MAX_PASSING:
            raise ExperimentError(f"chromatic_passing {self.chromatic_passing!r}; accepted: 0 to {_MAX_PASSING}")
        if self.riff_repeated_in_another_key is not None and (
            self.riff_repeated_in_another_key == 0 or self.riff_repeated_in_another_key not in range(-11, 12)
        ):
            raise ExperimentError(
                f"riff_repeated_in_another_key {self.riff_repeated_in_another_key!r}; accepted: -11 to 11, not 0"
            )
        if self.length not in range(4 if self.changes_key else 2, _MAX_LENGTH + 1, 2 if self.changes_key else 1):
            raise ExperimentError(
                f"a riff of {self.length!r} bars; accepted: 2 to {_MAX_LENGTH}, even and from 4 with a key change"
            )
        if self.telling_note_at is not None and self.telling_note_at < (2 if self.open_on_home else 1):
            raise ExperimentError(
                f"telling_note_at {self.telling_note_at!r}; accepted: from 1, from 2 where home comes first"
            )
        if self.parallel_change is not None and (
            self.riff_repeated_in_another_key is not None or self.pentatonic_only or self.parallel_change == self.mode
        ):
            raise ExperimentError(
                "parallel_change with the same mode, pentatonic_only or another key change; accepted: another mode,"
                " without these"
            )
        if self.pentatonic_only and self.telling_note_at is not None:
            raise ExperimentError("telling_note_at in a pentatonic riff, which has none; accepted: one of the two")

    @property
    def changes_key(self) -> bool:
        """Whether there is a second section in another key."""
        return self.parallel_change is not None or self.riff_repeated_in_another_key is not None

    @property
    def stratum(self) -> str:
        """The settings apart from mode and tonic that differ from the defaults, in words; ``plain`` if none do."""
        words = [] if self.open_on_home else ["open-elsewhere"]
        words += [] if self.close_on_home else ["close-elsewhere"]
        words += ["pentatonic"] if self.pentatonic_only else []
        words += [f"chromatic-passing-{round(100 * self.chromatic_passing)}"] if self.chromatic_passing else []
        words += [f"telling-note-{self.telling_note_at}"] if self.telling_note_at is not None else []
        words += ["parallel-change"] if self.parallel_change is not None else []
        words += ["repeated-in-another-key"] if self.riff_repeated_in_another_key is not None else []
        words += [f"{self.length}-bars"] if self.length != Dials.length else []
        return "-".join(words) or "plain"


@dataclass(frozen=True, eq=False)
class Riff:
    """A synthetic riff and what is true of it.

    Parameters
    ----------
    notes : Piece
        In quarter notes; every part is `keybench.notes.BASS`, the accents those of 4/4.
    spans : tuple of LabelSpan
        The key of each section; they cover the riff. No mode where the section leaves more than one.
    tonic, mode : int
        Key of the opening section.
    accepted : tuple of Key
        Acceptable keys of the whole, in index order.
    passing : bool array, shape (n_notes,)
        Which notes are chromatic passing notes.
    stratum : str
        Setting of the dials (`Dials.stratum`).
    """

    notes: Piece
    spans: tuple[LabelSpan, ...]
    tonic: int
    mode: int
    accepted: tuple[Key, ...]
    passing: BoolArray
    stratum: str


def tellable_after(pitches: npt.ArrayLike, tonic: int) -> BoolArray:
    """Say after each note which modes on a home note still hold everything heard so far.

    Parameters
    ----------
    pitches : float array, shape (n_notes,)
        MIDI numbers in the order heard.
    tonic : int
        Pitch class of home, taken as known.

    Returns
    -------
    bool array, shape (n_notes, 7)
        Row i marks the modes whose scale holds notes 0 to i. A chromatic note can empty a row and all that follow.
    """
    degrees = (np.floor(np.asarray(pitches, dtype=float) + 0.5).astype(np.int64) - tonic) % 12
    still: BoolArray = np.logical_and.accumulate(SCALES[:, degrees].T, axis=0)
    return still


def first_telling_note(piece: Piece, key: Key, rival: Key) -> int | None:
    """Count the notes heard until a key can be told from a rival, both home notes taken as known.

    The note that tells lies in the scale of `key` and not in that of `rival`: in music that keeps to its scale, the
    first at which the notes heard are no longer all in the rival's. A chromatic note that neither scale holds tells
    nothing between them and is passed over.

    Parameters
    ----------
    piece : Piece
        Its notes are heard in order of onset, notes that begin together from the lowest upwards.
    key, rival : Key

    Returns
    -------
    int or None
        Counted from 1; None if no note tells them apart.
    """
    pitch = np.floor(piece.pitch[np.lexsort((piece.pitch, piece.onset))] + 0.5).astype(np.int64)
    tells = np.flatnonzero(SCALES[key.mode, (pitch - key.tonic) % 12] & ~SCALES[rival.mode, (pitch - rival.tonic) % 12])
    return int(tells[0]) + 1 if len(tells) else None


def generate(dials: Dials, seed: int) -> Riff:
    """Make one riff.

    Parameters
    ----------
    dials : Dials
    seed : int
        Zero or more; the same seed and dials give the same riff everywhere.

    Raises
    ------
    ExperimentError
        If the seed is negative, or no riff as dialled was found, as when the telling note would come after the end.
    """
    if seed < 0:
        raise ExperimentError(f"seed {seed}; accepted: zero or more")
    draw = _Draw(seed)
    drawn = draw.below(12)
    tonic = drawn if dials.tonic is None else dials.tonic
    key, rival = Key(tonic, dials.mode), Key(tonic, RIVALS[dials.mode])
    for _ in range(_ATTEMPTS):
        sections = _sections(dials, draw)
        if all(_is_as_dialled(section, dials) for section in sections):
            riff = _riff(dials, tonic, sections)
            if dials.telling_note_at in (None, first_telling_note(riff.notes, key, rival)):
                return riff
    raise ExperimentError(
        f"no riff of {dials.length} bars found for {dials.stratum}; accepted: a telling note well before the end, and"
        " room for the passing notes"
    )


def corpus(seed: int, per_mode: int) -> dict[str, Riff]:
    """Make the probe corpus: riffs of every mode in every setting of `settings`, on tonics dealt in turn.

    Parameters
    ----------
    seed : int
        Zero or more.
    per_mode : int
        Riffs of each mode in each setting; 9 give 819 in all. More leave the first as they were.

    Returns
    -------
    dict
        Riffs by id, such as ``dorian/telling-note-8/03``.

    Raises
    ------
    ExperimentError
        If the seed is negative.
    """
    if seed < 0:
        raise ExperimentError(f"seed {seed}; accepted: zero or more")
    riffs: dict[str, Riff] = {}
    for mode, name in enumerate(MODES):
        for row, setting in enumerate(settings(mode)):
            for i in range(per_mode):
                own_seed = int(np.random.SeedSequence((seed, mode, row, i)).generate_state(1, np.uint64)[0])
                tonic = (7 * i + 5 * row + mode) % 12  # twelve riffs of a mode and setting have twelve tonics
                riff = generate(replace(setting, tonic=tonic), own_seed)
                riffs[f"{name}/{riff.stratum}/{i + 1:02d}"] = riff
    return riffs


def settings(mode: int) -> tuple[Dials, ...]:
    """Return the settings of the dials that the corpus has for a mode, each of its own stratum."""
    plain = Dials(mode)
    return (
        plain,
        replace(plain, open_on_home=False),
        replace(plain, close_on_home=False),
        replace(plain, pentatonic_only=True),
        replace(plain, chromatic_passing=0.1),
        replace(plain, chromatic_passing=0.2),
        *(replace(plain, telling_note_at=count) for count in (4, 8, 16, 32)),
        replace(plain, parallel_change=MAJOR if HAS_MINOR_THIRD[mode] else MINOR),
        replace(plain, riff_repeated_in_another_key=5),
        replace(plain, length=2),
    )


class _Draw:
    """Random choices from the raw output of PCG64: numpy promises to keep its stream, but not `Generator`'s methods."""

    def __init__(self, seed: int) -> None:
        self._bits = np.random.PCG64(seed)
        self._waiting: list[int] = []

    def uniform(self) -> float:
        """Return a number from 0 up to 1."""
        if not self._waiting:
            self._waiting = self._bits.random_raw(256).tolist()
        return (self._waiting.pop() >> 11) * 2.0**-53  # the upper 53 bits, as a float holds

    def below(self, n: int) -> int:
        """Return a whole number from 0 to n - 1."""
        return int(self.uniform() * n)

    def pick(self, weights: Mapping[int, int]) -> int:
        """Return one of the keys of `weights`, in proportion to its weight."""
        bounds = list(accumulate(weights.values()))
        return list(weights)[bisect_right(bounds, self.below(bounds[-1]))]


@dataclass(frozen=True)
class _Section:
    """The notes of a section, a list entry each, in eighths from its beginning and scale steps above home."""

    mode: int
    begins: list[int]
    steps: list[int]
    clipped: list[bool]  # ends an eighth before the next note begins, where it lasts longer than that
    passing: list[bool]  # its pitch is halfway between its neighbours', whatever its step
    bars: int

    def semitones(self) -> list[int]:
        """Return the pitches in semitones above home."""
        out = [12 * (step // 7) + _STEPS[self.mode][step % 7] for step in self.steps]
        for i, passing in enumerate(self.passing):
            if passing:
                out[i] = (out[i - 1] + out[i + 1]) // 2
        return out

    def modes(self) -> list[int]:
        """Return the modes on the home note that hold every note of the section but the passing notes."""
        return _modes_with(s % 12 for s, passing in zip(self.semitones(), self.passing, strict=True) if not passing)


def _modes_with(semitones: Iterable[int]) -> list[int]:
    sounded = set(semitones)
    return [mode for mode in range(N_MODES) if sounded <= _SCALES[mode]]


def _degrees(dials: Dials) -> list[int]:
    """Return the scale degrees that a riff may use, 0 to 6."""
    return [i for i in range(7) if not dials.pentatonic_only or _STEPS[dials.mode][i] in _PENTATONIC[dials.mode]]


def _needed(mode: int, degrees: list[int]) -> set[int]:
    """Return the degrees without any one of which more modes would hold the rest."""
    notes = {degree: _STEPS[mode][degree] for degree in degrees}
    whole = _modes_with(notes.values())
    return {d for d in degrees if _modes_with(note for other, note in notes.items() if other != d) != whole}


def _is_as_dialled(section: _Section, dials: Dials) -> bool:
    return section.modes() == _modes_with(_STEPS[section.mode][degree] for degree in _degrees(dials)) and (
        sum(section.passing) == _n_passing(section, dials)
    )


def _sections(dials: Dials, draw: _Draw) -> list[_Section]:
    """Compose the sections of a riff; whether they turned out as dialled is for the caller to see."""
    degrees = _degrees(dials)
    needed = _needed(dials.mode, degrees)
    if dials.parallel_change is not None:
        needed |= _needed(dials.parallel_change, degrees)
    first = _unrolled(dials, degrees, needed, draw)
    if dials.riff_repeated_in_another_key is not None:
        first = _with_passing(first, dials, degrees, draw)
        return [first, _ended(first, dials, degrees, draw)]
    if dials.parallel_change is not None:
        second = _ended(replace(first, mode=dials.parallel_change), dials, degrees, draw)
        return [_with_passing(section, dials, degrees, draw) for section in (first, second)]
    return [_with_passing(_ended(first, dials, degrees, draw), dials, degrees, draw)]


def _pattern(degrees: list[int], needed: set[int], draw: _Draw) -> tuple[list[int], list[int], int]:
    """Invent the pattern that a riff repeats: where its notes begin, their steps, and its number of bars."""
    n_bars = draw.pick({1: 1, 2: 2})
    roots = [0, draw.pick(_playable({0: 3, 3: 3, 4: 2, 5: 1, -1: 2}, degrees))][:n_bars]
    begins: list[int] = []
    for bar in range(n_bars):
        rhythm = _RHYTHMS[draw.below(len(_RHYTHMS) if bar else _N_ON_THE_BEAT)]
        begins += [_BAR * bar + i for i, sign in enumerate(rhythm) if sign == "x"]
    steps = [0]
    for i in range(1, len(begins)):
        bar = begins[i] // _BAR
        leads_on = i + 1 == len(begins) or begins[i + 1] // _BAR > bar
        steps.append(
            _step(begins[i], roots[bar], steps[-1], roots[(bar + 1) % n_bars] if leads_on else None, degrees, draw)
        )
    free = [i for i in range(1, len(begins)) if begins[i] % _BAR and steps[i] % 7 not in needed]
    for degree in sorted(needed - {step % 7 for step in steps}):
        if free:
            i = free.pop(draw.below(len(free)))
            steps[i] = _nearest(degree, steps[i - 1])
    return begins, steps, n_bars


def _step(begin: int, root: int, previous: int, leads_to: int | None, degrees: list[int], draw: _Draw) -> int:
    """Choose a scale step by its place in the bar, for a chord root, after another step."""
    if begin % _BAR == 0:
        weights = {root: 6, root + 7: 1, root + 4: 1}
    elif leads_to is not None:
        weights = {leads_to - 1: 3, leads_to + 1: 2, leads_to + 4: 2, leads_to + 6: 1}
    elif begin % 2 == 0:
        weights = {root: 3, root + 4: 4, root + 7: 3, root + 2: 2, previous + 1: 1, previous - 1: 1}
    else:
        weights = {previous: 2, previous + 1: 3, previous - 1: 3, root + 7: 2, root + 4: 1}
    return draw.pick(_playable(weights, degrees) or {root: 1})


def _playable(weights: dict[int, int], degrees: list[int]) -> dict[int, int]:
    return {s: w for s, w in weights.items() if _LOWEST_STEP <= s <= _HIGHEST_STEP and s % 7 in degrees}


def _nearest(degree: int, step: int) -> int:
    """Return the place of a scale degree that lies nearest to a step, the lower of two."""
    places = [s for s in range(_LOWEST_STEP, _HIGHEST_STEP + 1) if s % 7 == degree]
    return min(places, key=lambda place: (abs(place - step), place))


def _unrolled(dials: Dials, degrees: list[int], needed: set[int], draw: _Draw) -> _Section:
    """Repeat a new pattern with variations, through the only or the first section.

    The telling note is kept out until its time; once heard it stays in the pattern, unless it fell on a first beat.
    """
    at = dials.telling_note_at
    telling = _TELLING_DEGREE[dials.mode] if at is not None else None
    untold = [degree for degree in degrees if degree != telling]
    pattern, pattern_steps, n_bars = _pattern(untold, needed - {telling}, draw)
    bars = dials.length // 2 if dials.changes_key else dials.length
    begins: list[int] = []
    steps: list[int] = []
    for start in range(0, _BAR * bars, _BAR * n_bars):
        varied = start > 0 and draw.uniform() < 0.5
        for i, begin in enumerate(pattern):
            count = len(steps) + 1
            if telling is not None and count == at:
                step = _nearest(telling, steps[-1] if steps else 0)
                if begin % _BAR:
                    pattern_steps[i] = step
            elif varied and i >= len(pattern) - 2 and begin % _BAR:
                step = _step(begin, 0, steps[-1], 0, degrees if at is None or count > at else untold, draw)
            else:
                step = pattern_steps[i]
            begins.append(start + begin)
            steps.append(step)
    n = sum(begin < _BAR * bars for begin in begins)
    if not dials.open_on_home and at != 1:
        steps[0] = draw.pick(_playable({4: 4, 2: 2, 3: 2, -1: 2, 5: 1}, untold))
    clipped = [draw.uniform() < 0.3 for _ in range(n)]
    return _Section(dials.mode, begins[:n], steps[:n], clipped, [False] * n, bars)


def _ended(section: _Section, dials: Dials, degrees: list[int], draw: _Draw) -> _Section:
    """Return the last section with its end: a held home note for its last bar, or a break on another note."""
    if not dials.close_on_home:
        steps = list(section.steps)
        if steps[-1] % 7 == 0:
            steps[-1] = draw.pick(_playable({4: 3, -1: 2, 1: 2, 2: 1, 3: 1}, degrees))
        return replace(section, steps=steps)
    n = _n_before_last_bar(section)
    return replace(
        section,
        begins=[*section.begins[:n], _BAR * (section.bars - 1)],
        steps=[*section.steps[:n], 0],
        clipped=[*section.clipped[:n], False],
        passing=[*section.passing[:n], False],
    )


def _n_before_last_bar(section: _Section) -> int:
    return sum(begin < _BAR * (section.bars - 1) for begin in section.begins)


def _n_passing(section: _Section, dials: Dials) -> int:
    return round(dials.chromatic_passing * len(section.steps))


def _with_passing(section: _Section, dials: Dials, degrees: list[int], draw: _Draw) -> _Section:
    """Turn notes off the beat into chromatic passing notes, before the last bar.

    Where the notes before and after do not lie a whole step apart, the one before is moved next to the one after. The
    second half of a riff may replace the last bar, so no note there, nor the one that leads to it, is changed.
    """
    wanted = _n_passing(section, dials)
    at = dials.telling_note_at or 0
    steps, passing = list(section.steps), [False] * len(section.steps)
    fixed = {0, at - 1}  # notes whose steps must stay
    places = [i for i in range(1, _n_before_last_bar(section) - 1) if section.begins[i] % 2]
    for i in sorted(places, key=lambda _: draw.uniform()):
        if sum(passing) == wanted:
            break
        if i in fixed:
            continue
        if not _whole_step_apart(section.mode, steps[i - 1], steps[i + 1]):
            if i - 1 in fixed or section.begins[i - 1] % _BAR == 0:
                continue
            hidden = {_TELLING_DEGREE[dials.mode]} if i < at else set()
            weights = _playable({steps[i + 1] - 1: 1, steps[i + 1] + 1: 1}, [d for d in degrees if d not in hidden])
            weights = {s: w for s, w in weights.items() if _whole_step_apart(section.mode, s, steps[i + 1])}
            if not weights:
                continue
            steps[i - 1] = draw.pick(weights)
        passing[i] = True
        fixed |= {i - 1, i, i + 1}
    return replace(section, steps=steps, passing=passing)


def _whole_step_apart(mode: int, step: int, other: int) -> bool:
    """Whether two steps are scale neighbours with one semitone between them, where no octave is ever changed."""
    low, high = sorted((step, other))
    return low >= 0 and high == low + 1 and (_STEPS[mode][high % 7] - _STEPS[mode][low % 7]) % 12 == 2


def _riff(dials: Dials, tonic: int, sections: list[_Section]) -> Riff:
    """Turn sections into notes with times and pitches, and say what is true of them."""
    onset: list[float] = []
    duration: list[float] = []
    pitch: list[float] = []
    accent: list[int] = []
    homes = [tonic, (tonic + (dials.riff_repeated_in_another_key or 0)) % 12][: len(sections)]
    starts = [0.5 * _BAR * sections[0].bars * i for i in range(len(sections))]
    bases = [_LOWEST_STRING + (home - _LOWEST_STRING) % 12 for home in homes]
    for section, base, start in zip(sections, bases, starts, strict=True):
        ends = [*section.begins[1:], _BAR * section.bars]
        for begin, end, clipped, above in zip(section.begins, ends, section.clipped, section.semitones(), strict=True):
            onset.append(start + 0.5 * begin)
            duration.append(0.5 * (end - begin - (clipped and end - begin > 1)))
            # What is too low in one section is an octave higher in both, or the second would be another riff.
            pitch.append(base + above + (12 if min(bases) + above < _LOWEST_STRING else 0))
            accent.append({0: DOWNBEAT, _BAR // 2: STRONG}.get(begin % _BAR, WEAK))
    notes = Piece(
        np.array(onset), np.array(duration), np.array(pitch, dtype=float), np.full(len(onset), BASS), np.array(accent)
    )
    stops = [*starts[1:], onset[-1] + duration[-1]]
    accepted = {Key(home, mode) for section, home in zip(sections, homes, strict=True) for mode in section.modes()}
    return Riff(
        notes=notes,
        spans=tuple(
            LabelSpan(start, stop, home, section.mode if len(section.modes()) == 1 else None)
            for section, home, start, stop in zip(sections, homes, starts, stops, strict=True)
        ),
        tonic=tonic,
        mode=dials.mode,
        accepted=tuple(sorted(accepted, key=lambda key: key.index)),
        passing=np.array([flag for section in sections for flag in section.passing]),
        stratum=dials.stratum,
    )
