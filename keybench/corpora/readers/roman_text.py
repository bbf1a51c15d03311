"""Analyses in the romanText format (``m1 d: i b2 iv6 b3 V F: iii``): local keys, and whether they fit a score.

The format is that of Tymoczko, Gotham, Cuthbert and Ariza, "The RomanText format" (ISMIR 2019); music21's reader of it
is the reference in the tests.

Choices:

- A key begins at the first chord that is written after it; a pivot chord, read in two keys, belongs to the second.
- Alternative readings (``m5var1``), optional keys (``?(g:`` to ``?)``) and endings after the first (``m8b``) are left
  out.
- A copied passage (``m51-53 = m42-44``) copies figures and key changes: until the first change in it, the figures are
  read in the key that was in force before the copy. So does music21, and in the madrigals where it makes a difference
  the notes agree.
- Beats count in the unit of the time signature's denominator, in compound metres (6, 9, 12, ... units) in groups of
  three units. ``.33``, ``.67`` and the like mean thirds.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from keybench.corpora.readers.metre import Metre
from keybench.corpora.readers.reading import Bars, LabelSpan
from keybench.errors import ReadError
from keybench.key import MAJOR, MINOR, SCALE_STEPS, Key, parse_key
from keybench.notes import FloatArray, Piece

_MAX_CHARS = 1_000_000
_MAX_LINE_CHARS = 20_000

_METRE = re.compile(r"(?i)time\s*signature\s*:\s*(\d{1,2})/(\d{1,2})(?!\d)")
_MEASURE = re.compile(
    r"m\s?(?P<number>\d{1,5})(?P<ending>[a-h]?)(-\d{1,5}[a-h]?)?\s*(?P<variant>var\w*)?:?\s*(?P<rest>.*)"
)
_COPY = re.compile(r"=\s*m(\d{1,5})(?:-m?(\d{1,5}))?\s*")
_BEAT = re.compile(r"b(\d{1,2})(\.\d{1,6})?(\.\d{1,6})?:?")
_KEY = re.compile(r"([A-Ga-g])(#+|-+|b+)?;?:")
_NUMERAL = "VII|VI|V|IV|III|II|I|vii|vi|v|iv|iii|ii|i"
_FIGURE = re.compile(rf"([#b-]*)({_NUMERAL}|N(?!C)|Cad|It|Ger|Fr)")
_APPLIED = re.compile(rf"/([#b-]*)({_NUMERAL})")
_DEGREES = {"i": 0, "ii": 1, "iii": 2, "iv": 3, "v": 4, "vi": 5, "vii": 6}
# Root and third, in semitones above the tonic, of chords that have names instead of numerals: the Neapolitan, and for
# augmented sixths the two notes that all of them have (common practice, no source).
_NAMED = {"N": (1, 5), "It": (8, 0), "Ger": (8, 0), "Fr": (8, 0)}

_MAX_COPIES = 20_000
_MAX_CHORDS = 5_000  # a movement of a sonata or quartet has at most a few hundred bars
_LEAST_SHARE = 0.8
_LEAST_SHARE_OF_QUARTER = 0.6
_LEAST_LEAD = 0.4
_FARTHEST = 12  # bars


@dataclass(frozen=True)
class RomanPlace:
    """A place in the bars of an analysis.

    Parameters
    ----------
    measure : int
        As numbered in the analysis.
    beat : float
        From 1, as written there.
    metre : Metre
        In force there.
    """

    measure: int
    beat: float
    metre: Metre

    @property
    def offset(self) -> float:
        """Quarters from the beginning of the (full) bar."""
        return (self.beat - 1) * (3 * self.metre.unit if self.metre.is_compound else self.metre.unit)


@dataclass(frozen=True)
class RomanKey(RomanPlace):
    """A key and where it begins."""

    key: Key


@dataclass(frozen=True)
class RomanChord(RomanPlace):
    """The pitch classes of a chord's root and third and where the chord begins."""

    root: int
    third: int


@dataclass(frozen=True)
class Alignment:
    """How an analysis fits a score.

    Parameters
    ----------
    fits : bool
        Whether it does, moved by `offset` and `transposition`.
    offset : int
        Bars to add to the measure numbers of the analysis to get the bar numbers of the score.
    transposition : int
        Semitones from the keys of the analysis up to those of the score, -5 to 6.
    share : float
        Share of the chords whose root and third sound in the score while they last, so moved.
    reason : str
        Why it does not fit; empty if it does.
    """

    fits: bool
    offset: int
    transposition: int
    share: float
    reason: str = ""


def read_keys(text: str) -> list[RomanKey]:
    """Return the keys of an analysis in the order of the text.

    Raises
    ------
    ReadError
        If the text is too large or holds too many chords, or no key is followed by a chord.
    """
    keys = [RomanKey(c.measure, c.beat, c.metre, c.key) for c in _read_chords(text) if c.begins_key]
    if not keys:
        raise ReadError("no key; accepted: romanText such as 'm1 d: i b3 V'")
    return keys


def read_chords(text: str) -> list[RomanChord]:
    """Return the chords of an analysis, without those marked as lacking their root or third (``V[no3]``).

    Raises
    ------
    ReadError
        If the text is too large or holds too many chords.
    """
    chords = []
    for chord in _read_chords(text):
        if "no1" not in chord.figure and "no3" not in chord.figure:
            root, third = _root_and_third(chord.figure, chord.key)
            chords.append(RomanChord(chord.measure, chord.beat, chord.metre, root, third))
    return chords


@dataclass(frozen=True)
class _Chord(RomanPlace):
    """A figure, the key that it is read in, and whether it is the first in that key."""

    key: Key
    figure: str
    begins_key: bool


def _read_chords(text: str) -> Iterator[_Chord]:
    """Yield the chords in the order of the text, from the first key on."""
    key, is_new, n_chords = None, False, 0
    for measure, metre, tokens in _measures(text):
        beat = 1.0
        for token in tokens:
            if (written := _KEY.fullmatch(token)) is not None:
                accidental = (written[2] or "").replace("b", "-")
                key, is_new = parse_key(f"*{written[1]}{accidental}:"), True
            elif (written := _BEAT.fullmatch(token)) is not None:
                beat = _beat(*written.groups())
            elif key is not None and _FIGURE.match(token) is not None:
                n_chords += 1
                if n_chords > _MAX_CHORDS:
                    raise ReadError(f"more than {_MAX_CHORDS:,} chords; accepted: at most as many")
                yield _Chord(measure, beat, metre, key, token, is_new)
                is_new = False


def _measures(text: str) -> Iterator[tuple[int, Metre, list[str]]]:
    """Yield number, metre and tokens of each measure, copies written out."""
    if len(text) > _MAX_CHARS:
        raise ReadError(f"an analysis of {len(text):,} characters; accepted: at most {_MAX_CHARS:,}")
    metre = Metre(0.0, 4, 4)  # where nothing is said
    known: dict[int, tuple[Metre, list[str]]] = {}
    n_copied = 0
    for line in text.splitlines():
        if len(line) > _MAX_LINE_CHARS:
            raise ReadError(f"a line of {len(line):,} characters; accepted: at most {_MAX_LINE_CHARS:,}")
        signature = _METRE.match(line)
        if signature is not None and int(signature[1]) and int(signature[2]):
            metre = Metre(0.0, int(signature[1]), int(signature[2]))
        written = _MEASURE.fullmatch(line.strip())
        if written is None or written["ending"] not in ("", "a") or written["variant"]:
            continue
        first, copy = int(written["number"]), _COPY.fullmatch(written["rest"])
        if copy is None:
            known[first] = (metre, written["rest"].split())
            yield first, *known[first]
            continue
        sources = range(int(copy[1]), int(copy[2] or copy[1]) + 1)
        n_copied += len(sources)
        if n_copied > _MAX_COPIES:
            raise ReadError(f"copies of {n_copied:,} measures; accepted: at most {_MAX_COPIES:,}")
        for number, source in enumerate(sources, first):
            if source in known:
                known[number] = known[source]
                yield number, *known[number]


def _beat(whole: str, fraction: str | None, more: str | None) -> float:
    """Return a beat such as 2, 2.5, 2.33 (two and a third) or 2.66.5 (and half of a third)."""
    part = Fraction(fraction or 0).limit_denominator(12)
    return float(int(whole) + part + Fraction(more or 0) / part.denominator)


def _root_and_third(figure: str, key: Key) -> tuple[int, int]:
    """Return two pitch classes of a chord.

    In minor, small ``vi`` and ``vii`` stand on the raised degrees, with or without a sharp, and large ones on the
    others, with or without a flat (romanText's default). A cadential six-four (``Cad64``) is the tonic's.
    """
    written = _FIGURE.match(figure)
    assert written is not None  # only figures come here
    for applied in reversed(list(_APPLIED.finditer(figure, written.end()))):  # V/V/ii: in ii, of its V, the V
        key = Key(_degree(applied[1], applied[2], key), MINOR if applied[2].islower() else MAJOR)
    if written[2] in _NAMED:
        root, third = _NAMED[written[2]]
        return (key.tonic + root) % 12, (key.tonic + third) % 12
    if written[2] == "Cad":
        return key.tonic, (key.tonic + (3 if key.mode == MINOR else 4)) % 12
    root = _degree(written[1], written[2], key)
    return root, (root + (3 if written[2].islower() else 4)) % 12


def _degree(accidental: str, numeral: str, key: Key) -> int:
    """Return the pitch class that a numeral stands on."""
    degree = _DEGREES[numeral.lower()]
    shift = accidental.count("#") - accidental.count("b") - accidental.count("-")
    if key.mode == MINOR and degree in (5, 6) and (shift < 0 or (shift == 0 and numeral.islower())):
        shift += 1
    return int(key.tonic + SCALE_STEPS[key.mode][degree] + shift) % 12


def place(keys: Sequence[RomanKey], bars: Bars, end: float, offset: int = 0, transposition: int = 0) -> list[LabelSpan]:
    """Place the keys of an analysis in the time of a score.

    Parameters
    ----------
    keys : sequence of RomanKey
    bars : Bars
        Of the score.
    end : float
        Where the music ends, in quarters.
    offset, transposition : int
        See `Alignment`.

    Returns
    -------
    list of LabelSpan
        Ascending, without gaps from the first key on; nothing is labelled before it. Keys in measures that the score
        does not have are left out, and of keys at one place the last holds.
    """
    onsets = _onsets(keys, bars, offset)
    placed: list[tuple[float, Key]] = []
    for i in np.argsort(onsets, kind="stable"):  # NaN comes last
        onset, key = float(onsets[i]), keys[i].key.transpose(transposition)
        if not onset < end:
            break
        if placed and placed[-1][0] == onset:
            placed.pop()
        if not placed or placed[-1][1] != key:
            placed.append((onset, key))
    ends = [onset for onset, _ in placed[1:]] + [end]
    return [LabelSpan(onset, stop, key.tonic, key.mode) for (onset, key), stop in zip(placed, ends, strict=True)]


def _onsets(places: Sequence[RomanPlace], bars: Bars, offset: int) -> FloatArray:
    """Return the times of places in quarters, NaN in measures that the score does not have.

    A first bar that is shorter than the metre is a pickup: its beats count back from its end.
    """
    index = {int(number): i for i, number in reversed(list(enumerate(bars.number)))}
    stops = np.append(bars.onset[1:], bars.end)
    onsets = np.full(len(places), np.nan)
    for n, where in enumerate(places):
        i = index.get(where.measure + offset)
        if i is not None:
            late = max(where.metre.bar - float(stops[i] - bars.onset[i]), 0.0) if i == 0 else 0.0
            onsets[n] = bars.onset[i] + max(where.offset - late, 0.0)
    return onsets


def alignment(chords: Sequence[RomanChord], notes: Piece, bars: Bars) -> Alignment:
    """Decide whether an analysis fits a score.

    An analysis fits if both root and third of its chords sound in the score while the chord lasts: for at least 80 %
    of all chords, and for at least 60 % in each quarter of the analysis, so that a part that is shifted (by a repeat
    written out in one of the two, say) does not pass. (A root alone would not tell a key from that of its fifth.) And
    transposed in any other way, the analysis must do worse by at least 40 points: a few long chords fit anywhere.
    Measure numbers of the analysis may be moved by a number of bars, the same throughout, and the keys transposed; of
    all such readings the one with the largest share counts, and of equal ones the nearest to what is written.

    Parameters
    ----------
    chords : sequence of RomanChord
        See `read_chords`.
    notes : Piece
        Notes of the score, in quarters.
    bars : Bars
        Of the score.

    Returns
    -------
    Alignment
    """
    if not chords:
        return Alignment(False, 0, 0, 0.0, "the analysis has no chords")
    roots, thirds = (np.array([getattr(chord, name) for chord in chords]) for name in ("root", "third"))
    rows = np.arange(len(chords))
    offsets = sorted(range(-_FARTHEST, _FARTHEST + 1), key=abs)
    transpositions = sorted(range(-5, 7), key=abs)
    hits = np.zeros((len(offsets), len(transpositions), len(chords)), dtype=bool)
    for i, offset in enumerate(offsets):
        sounding = _sounding(_onsets(chords, bars, offset), bars.end, notes)
        for j, transposition in enumerate(transpositions):
            hits[i, j] = sounding[rows, (roots + transposition) % 12] & sounding[rows, (thirds + transposition) % 12]
    shares = hits.mean(axis=2)
    i, j = divmod(int(np.argmax(shares)), len(transpositions))  # of equal ones the first: nearest to what is written
    share = float(shares[i, j])
    quarters = [hits[:, j, part].mean(axis=1) for part in np.array_split(np.arange(len(chords)), min(4, len(chords)))]
    least = min(float(quarter[i]) for quarter in quarters)
    lead = share - float(np.delete(shares[i], j).max())
    if share >= _LEAST_SHARE and least >= _LEAST_SHARE_OF_QUARTER and lead >= _LEAST_LEAD:
        return Alignment(True, offsets[i], transpositions[j], share)
    alone = ", ".join(str(offsets[int(quarter.argmax())]) for quarter in quarters)
    reason = (
        f"roots and thirds sound for {share:.0%} of the chords at best, for {least:.0%} in the worst quarter of the "
        f"analysis, for {share - lead:.0%} in another transposition; accepted: at least {_LEAST_SHARE:.0%}, at least "
        f"{_LEAST_SHARE_OF_QUARTER:.0%}, and {_LEAST_LEAD:.0%} less; each quarter alone fits best moved by {alone} bars"
    )
    return Alignment(False, offsets[i], transpositions[j], share, reason)


def _sounding(times: FloatArray, end: float, notes: Piece) -> npt.NDArray[np.bool_]:
    """Return which pitch classes sound from each time until the next later one, or the end.

    Returns
    -------
    bool array, shape (n_times, 12)
        No class where the time is NaN.
    """
    stops = np.append(np.unique(times[np.isfinite(times)]), end)
    until = stops[np.minimum(np.searchsorted(stops, times, side="right"), len(stops) - 1)]
    held = (notes.onset < until[:, None] - 1e-6) & (times[:, None] + 1e-6 < notes.onset + notes.duration)
    classes = np.eye(12, dtype=np.float32)[np.round(notes.pitch).astype(np.int64) % 12]
    sounding: npt.NDArray[np.bool_] = held.astype(np.float32) @ classes > 0
    return sounding
