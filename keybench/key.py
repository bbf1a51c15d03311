"""Keys: seven diatonic modes on twelve tonics, how to read, write, move and compare them.

A key has an index, ``12 * mode + tonic``, with the modes in the order of `MODES` and the tonic as a pitch class
(C = 0). The order of the modes is the order in which they start on the white keys from C, so that mode ``i`` is the
major scale begun on its ``i + 1``-th note. Everything else in the package speaks of keys by this index.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from keybench.errors import KeyNameError

MODES: tuple[str, ...] = ("major", "dorian", "phrygian", "lydian", "mixolydian", "minor", "locrian")
"""Mode names in index order; ``major`` and ``minor`` are the everyday names of Ionian and Aeolian."""

N_MODES = len(MODES)
N_KEYS = 12 * N_MODES

NO_MODE = -1
"""Stands for the mode of a label that names a home note only."""

MAJOR, DORIAN, PHRYGIAN, LYDIAN, MIXOLYDIAN, MINOR, LOCRIAN = range(N_MODES)

# The major scale in semitones above its first note (common practice, no source).
_MAJOR_STEPS = np.array([0, 2, 4, 5, 7, 9, 11])

SCALE_STEPS: npt.NDArray[np.int64] = np.stack([np.sort((_MAJOR_STEPS - s) % 12) for s in _MAJOR_STEPS])
"""(7, 7) semitones above the tonic of the seven notes of each mode, ascending."""

SCALES: npt.NDArray[np.bool_] = np.zeros((N_MODES, 12), dtype=bool)
"""(7, 12) which pitch classes, counted from the tonic, belong to each mode."""
for _m in range(N_MODES):
    SCALES[_m, SCALE_STEPS[_m]] = True
SCALES.setflags(write=False)

HAS_MINOR_THIRD: npt.NDArray[np.bool_] = SCALES[:, 3].copy()
"""(7,) True for the modes whose third note lies three semitones above the tonic."""

LABEL_SPACES: dict[str, int] = {"tonic": 12, "major-minor": 24, "modes": N_KEYS}
"""Label spaces and their sizes. A prediction is projected down, never up."""

RELATIONS: tuple[str, ...] = (
    "same",
    "same scale notes",
    "parallel",
    "fifth above",
    "fifth below",
    "one scale note apart",
    "other",
)
"""How an estimated key can stand to the true one; the first that holds, in this order."""

INTERVALS: tuple[str, ...] = (
    "unison", "semitone", "whole tone", "minor third", "major third", "fourth", "tritone", "fifth", "minor sixth",
    "major sixth", "minor seventh", "major seventh",
)  # fmt: skip
"""Names of intervals by their semitones; `fourth` and `fifth` are the perfect ones."""

_LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}
_MODE_STEMS = {
    "maj": MAJOR, "ion": MAJOR, "dor": DORIAN, "phr": PHRYGIAN, "lyd": LYDIAN,
    "mix": MIXOLYDIAN, "min": MINOR, "aeo": MINOR, "loc": LOCRIAN,
}  # fmt: skip
_MODE_WORDS = {
    "m": MINOR, "major": MAJOR, "ionian": MAJOR, "dorian": DORIAN, "phrygian": PHRYGIAN, "lydian": LYDIAN,
    "mixolydian": MIXOLYDIAN, "minor": MINOR, "aeolian": MINOR, "locrian": LOCRIAN,
}  # fmt: skip
_ACCEPTED = "a note name A to G with an optional sharp or flat, and one of " + ", ".join(MODES)


def _tonic_pitch_class(letter: str, accidental: str) -> int:
    """Pitch class of a note; `accidental` is any of "", "#", "b", "-", "♯", "♭", "-sharp", " flat" or a repetition."""
    word = accidental.lower().strip(" -")
    if word in ("sharp", "flat"):
        shift = 1 if word == "sharp" else -1
    else:
        shift = sum({"#": 1, "♯": 1, "b": -1, "♭": -1, "-": -1}.get(sign, 0) for sign in accidental)
    return (_LETTERS[letter.upper()] + shift) % 12


@cache
def _spell_tonic(tonic: int, mode: int) -> tuple[str, str]:
    """Letter and accidental ("", "#", "b") of the spelling whose key signature is the shortest."""
    best: tuple[int, int, int] | None = None
    name = ("C", "")
    # Sharps or flats in the signature: the tonic's place on the line of fifths, less that of the mode's major scale.
    offset = {MAJOR: 0, DORIAN: 2, PHRYGIAN: 4, LYDIAN: -1, MIXOLYDIAN: 1, MINOR: 3, LOCRIAN: 5}[mode]
    for letter, place in _FIFTHS.items():
        for accidental, shift in (("", 0), ("#", 7), ("b", -7)):
            if _tonic_pitch_class(letter, accidental) != tonic:
                continue
            cost = (abs(place + shift - offset), abs(place + shift), -shift)
            if best is None or cost < best:
                best, name = cost, (letter, accidental)
    return name


@dataclass(frozen=True, order=True)
class Key:
    """One key.

    Parameters
    ----------
    tonic : int
        Pitch class of the home note, 0 (C) to 11 (B).
    mode : int
        Index into `MODES`.

    Raises
    ------
    KeyNameError
        If either lies outside its range.
    """

    tonic: int
    mode: int

    def __post_init__(self) -> None:
        if not 0 <= self.tonic < 12:
            raise KeyNameError(f"tonic {self.tonic!r} is not a pitch class; accepted: 0 to 11")
        if not 0 <= self.mode < N_MODES:
            raise KeyNameError(f"mode {self.mode!r} is not a mode index; accepted: 0 to {N_MODES - 1}")

    @property
    def index(self) -> int:
        """Index among the 84 keys."""
        return 12 * self.mode + self.tonic

    @property
    def tonic_name(self) -> str:
        """The home note in words, as in ``B-flat``."""
        letter, accidental = _spell_tonic(self.tonic, self.mode)
        return letter + {"": "", "#": "-sharp", "b": "-flat"}[accidental]

    @property
    def mode_name(self) -> str:
        """The mode as written in running text: ``major``, ``minor``, ``Dorian``."""
        return mode_in_text(self.mode)

    def __str__(self) -> str:
        return f"{self.tonic_name} {self.mode_name}"

    def transpose(self, semitones: int) -> Key:
        """Return the key moved up by `semitones` (down if negative)."""
        return Key((self.tonic + semitones) % 12, self.mode)

    def scale(self) -> npt.NDArray[np.int64]:
        """Return the pitch classes of the seven scale notes, from the tonic upwards."""
        steps: npt.NDArray[np.int64] = (SCALE_STEPS[self.mode] + self.tonic) % 12
        return steps

    def to_abc(self) -> str:
        """Return the key as an ABC ``K:`` value (``Bbmin``, ``Gdor``)."""
        letter, accidental = _spell_tonic(self.tonic, self.mode)
        return letter + accidental + MODES[self.mode][:3]

    def to_humdrum(self) -> str:
        """Return the key as a Humdrum tandem interpretation (``*G:dor``, ``*b-:``)."""
        letter, accidental = _spell_tonic(self.tonic, self.mode)
        letter = letter.lower() if HAS_MINOR_THIRD[self.mode] else letter
        suffix = "" if self.mode in (MAJOR, MINOR) else MODES[self.mode][:3]
        return f"*{letter}{accidental.replace('b', '-')}:{suffix}"

    def to_mir_eval(self) -> str:
        """Return the key as mir_eval writes it; the five modes that it has no name for become ``other``."""
        letter, accidental = _spell_tonic(self.tonic, self.mode)
        word = {MAJOR: "major", MINOR: "minor"}.get(self.mode, "other")
        return f"{letter}{accidental} {word}"

    def to_jams(self) -> str:
        """Return the key as a JAMS ``key_mode`` value (``Eb:minor``, ``G:dorian``)."""
        letter, accidental = _spell_tonic(self.tonic, self.mode)
        return f"{letter}{accidental}:{MODES[self.mode]}"


def mode_in_text(mode: int) -> str:
    """Return a mode's name for running text: the church modes take a capital, major and minor do not."""
    name = MODES[mode]
    return name if mode in (MAJOR, MINOR) else name.capitalize()


def key_at(index: int) -> Key:
    """Return the key with an index from 0 to 83."""
    if not 0 <= index < N_KEYS:
        raise KeyNameError(f"key index {index!r} is out of range; accepted: 0 to {N_KEYS - 1}")
    return Key(int(index) % 12, int(index) // 12)


KEY_NAMES: tuple[str, ...] = tuple(str(key_at(i)) for i in range(N_KEYS))
"""Names of the 84 keys in index order."""


def parse_key(text: str) -> Key:
    """Read a key written in words or in one of the common notations.

    Parameters
    ----------
    text : str
        Words (``G Dorian``, ``B-flat minor``), mir_eval (``Bb minor``), JAMS (``Eb:minor``) or, with a leading star,
        Humdrum (``*G:dor``, ``*b-:``). For the ``K:`` line of ABC use `parse_abc_key`, whose rules differ.

    Returns
    -------
    Key

    Raises
    ------
    KeyNameError
        If the text names no key.
    """
    stripped = text.strip()
    if stripped.startswith("*"):
        return _parse_humdrum(stripped)
    match = re.fullmatch(
        r"([A-Ga-g])\s*(##?|bb?|♯|♭|[-\s]?(?i:sharp|flat))?(?:(?:\s*:\s*|\s+|-)?([A-Za-z]+))?", stripped
    )
    if match is None:
        raise KeyNameError(f"cannot read the key {text!r}; accepted: {_ACCEPTED}")
    letter, accidental, word = match[1], match[2] or "", (match[3] or "").lower()
    if not word:
        if letter.islower():
            raise KeyNameError(f"cannot read the key {text!r}: a lower-case note needs a mode; accepted: {_ACCEPTED}")
        word = "major"
    mode = _MODE_WORDS.get(word, _MODE_STEMS.get(word))
    if mode is None:
        raise KeyNameError(f"cannot read the key {text!r}: unknown mode {word!r}; accepted: {_ACCEPTED}")
    return Key(_tonic_pitch_class(letter, accidental.lower()), mode)


def _parse_humdrum(text: str) -> Key:
    match = re.fullmatch(r"\*([A-Ga-g])(#*|-*):([a-z]*)", text)
    if match is None:
        raise KeyNameError(f"cannot read the Humdrum key {text!r}; accepted: forms such as *G:, *g:, *b-:, *G:dor")
    mode = _MODE_STEMS.get(match[3][:3]) if match[3] else (MINOR if match[1].islower() else MAJOR)
    if mode is None:
        raise KeyNameError(f"cannot read the Humdrum key {text!r}: unknown mode {match[3]!r}; accepted: {_ACCEPTED}")
    return Key(_tonic_pitch_class(match[1], match[2]), mode)


def parse_abc_key(value: str) -> Key:
    """Read the value of an ABC ``K:`` field.

    Only the first three letters of the mode count, ``m`` alone is minor, and capitals make no difference (ABC standard
    2.1, section 3.1.14): the tunes of the collections that are marked ``EM`` are in E minor. Explicit accidentals and
    clefs after the key are ignored.

    Raises
    ------
    KeyNameError
        For a bagpipe key (``Hp``, ``HP``), ``none``, ``exp``, or a mode that is not one of the seven.
    """
    match = re.match(r"\s*([A-G])([#b]?)\s*([A-Za-z]*)(.*)", value)
    if match is None:
        raise KeyNameError(f"cannot read the ABC key {value.strip()!r}; accepted: {_ACCEPTED}")
    word, rest = match[3], match[4]
    if re.match(r"(?i)(clef|treble|bass|alto|tenor|perc|middle|octave|transpose|stafflines|staffscale)", word):
        word, rest = "", ""
    if not re.match(r"$|[\s=^_%\[]", rest):
        word += rest.strip()  # as in Em7: no mode of that name
    if not word:
        mode: int | None = MAJOR
    elif word in ("m", "M"):
        mode = MINOR
    else:
        mode = _MODE_STEMS.get(word[:3].lower()) if word.isalpha() else None
    if mode is None:
        raise KeyNameError(f"cannot read the ABC key {value.strip()!r}: unknown mode {word!r}; accepted: {_ACCEPTED}")
    return Key(_tonic_pitch_class(match[1], match[2]), mode)


def transpose_keys(array: npt.NDArray, semitones: int) -> npt.NDArray:
    """Move an array over the 84 keys up by a number of semitones.

    Parameters
    ----------
    array : array, shape (..., 84)
        Anything indexed by key along its last axis: probabilities, truth sets.
    semitones : int
        May be negative.

    Returns
    -------
    array of the same shape
    """
    shape = array.shape
    return np.roll(array.reshape(*shape[:-1], N_MODES, 12), semitones, axis=-1).reshape(shape)


def transpose_tonics(tonic: npt.ArrayLike, semitones: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Move pitch classes up by numbers of semitones."""
    return (np.asarray(tonic, dtype=np.int64) + np.asarray(semitones, dtype=np.int64)) % 12


def truth_mask(accepted: Iterable[Iterable[Key]]) -> npt.NDArray[np.bool_]:
    """Return truths as an array: row i marks the acceptable keys of piece i.

    Returns
    -------
    bool array, shape (n, 84)
    """
    rows = [list(keys) for keys in accepted]
    mask = np.zeros((len(rows), N_KEYS), dtype=bool)
    for i, keys in enumerate(rows):
        for key in keys:
            mask[i, key.index] = True
    return mask


def keys_on(tonic: int) -> list[Key]:
    """Return every key on a tonic: the truth set of a label that names a home note but no mode."""
    return [Key(tonic % 12, mode) for mode in range(N_MODES)]


def label_name(tonic: int, mode: int) -> str:
    """Write a label: a key, or the home note alone where the mode is `NO_MODE` (spelled as that of the major key)."""
    return Key(tonic, MAJOR).tonic_name if mode == NO_MODE else KEY_NAMES[12 * mode + tonic]


def parse_label(text: str) -> tuple[int, int]:
    """Read back what `label_name` wrote, as tonic and mode.

    Raises
    ------
    KeyNameError
        If the text names neither a key nor a note.
    """
    key = parse_key(text)
    return key.tonic, key.mode if " " in text else NO_MODE


def format_keys(keys: Iterable[Key]) -> str:
    """Write a set of acceptable keys as one string, in index order (``G Dorian or G minor``)."""
    return " or ".join(str(key) for key in sorted(keys, key=lambda k: k.index))


def parse_keys(text: str) -> list[Key]:
    """Read back what `format_keys` wrote."""
    return [parse_key(part) for part in text.split(" or ")]


def project(index: npt.ArrayLike, space: str) -> npt.NDArray[np.int64]:
    """Project key indices down to a label space.

    Parameters
    ----------
    index : int array, any shape
        Indices among the 84 keys.
    space : {"tonic", "major-minor", "modes"}
        ``major-minor`` goes by the third of the scale: 0 to 11 for a major third, 12 to 23 for a minor third.

    Raises
    ------
    KeyNameError
        If the label space is unknown.
    """
    index = np.asarray(index, dtype=np.int64)
    tonic = index % 12
    if space == "modes":
        return index
    if space == "major-minor":
        return 12 * HAS_MINOR_THIRD[index // 12].astype(np.int64) + tonic
    if space == "tonic":
        return tonic
    raise KeyNameError(f"unknown label space {space!r}; accepted: {', '.join(LABEL_SPACES)}")


def project_mask(mask: npt.NDArray[np.bool_], space: str) -> npt.NDArray[np.bool_]:
    """Project truth sets, shape (n, 84), to a label space, shape (n, `LABEL_SPACES[space]`).

    Raises
    ------
    KeyNameError
        If the label space is unknown.
    """
    if space not in LABEL_SPACES:
        raise KeyNameError(f"unknown label space {space!r}; accepted: {', '.join(LABEL_SPACES)}")
    out = np.zeros((len(mask), LABEL_SPACES[space]), dtype=bool)
    rows, keys = np.nonzero(mask)
    out[rows, project(keys, space)] = True
    return out


def _relation_table() -> npt.NDArray[np.int8]:
    tonic = np.arange(N_KEYS) % 12
    mode = np.arange(N_KEYS) // 12
    notes = np.stack([np.roll(SCALES[m], t) for m, t in zip(mode, tonic, strict=True)]).astype(int)
    shared = notes @ notes.T  # scale notes in common
    above = (tonic[None, :] - tonic[:, None]) % 12  # estimate (columns) above reference (rows)
    same_mode = mode[None, :] == mode[:, None]
    conditions = [
        (above == 0) & same_mode,
        (shared == 7),
        (above == 0),
        (above == 7) & same_mode,
        (above == 5) & same_mode,
        (shared == 6),
    ]
    return np.select(conditions, range(len(conditions)), default=len(conditions)).astype(np.int8)


RELATION_TABLE: npt.NDArray[np.int8] = _relation_table()
"""(84, 84) index into `RELATIONS` of the estimate (column) as seen from the reference (row)."""
RELATION_TABLE.setflags(write=False)


def relation(reference: npt.ArrayLike, estimate: npt.ArrayLike) -> npt.NDArray[np.int8]:
    """Say how estimated keys stand to the true ones.

    Parameters
    ----------
    reference, estimate : int arrays of one shape
        Key indices, 0 to 83.

    Returns
    -------
    int8 array
        Indices into `RELATIONS`.
    """
    table: npt.NDArray[np.int8] = RELATION_TABLE[np.asarray(reference), np.asarray(estimate)]
    return table
