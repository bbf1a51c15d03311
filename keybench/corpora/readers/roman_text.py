"""Analyses in the romanText format (``m1 d: i b2 iv6 b3 V F: iii``): local keys, and whether they fit a score.

The format is that of Tymoczko, Gotham, Cuthbert and Ariza, "The RomanText format" (ISMIR 2019); music21's reader of it
is the reference in the tests.

Choices:

- A key begins at the first chord that is written after it; a pivot chord, read in two keys, belongs to the second.
- Alternative readings (``m5var1``), optional keys (``?(g:`` to ``?)``) and endings after the first (``m8b``) are left
  out.
- A copied passage (``m51-53 = m42-44``) copies figures and key changes: until the first change in it, the figures are
  read in the key that was in force before the copy, as music21 does.
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

from keybench.corpora.readers.partitura_score import Metre
from keybench.corpora.readers.reading import Bars, LabelSpan
from keybench.errors import ReadError
from keybench.key import MAJOR, MINOR, SCALE_STEPS, Key, parse_key
from keybench.notes import FloatArray, Piece

_MAX_CHARS = 1_000_000
_MAX_LINE_CHARS = 20_000

_METRE = re.compile(r"(?i)time\s*signature\s*:\s*(\d{1,2})/(\d{1,2})(?!\d)")
_MEASURE = re.compile(r"m\s?(\d{1,5})([a-h]?)(?:-(\d{1,5})[a-h]?)?(var\w*)?:?\s*(.*)")
_COPY = re.compile(r"=\s*m(\d{1,5})(?:-m?(\d{1,5}))?")
_BEAT = re.compile(r"b(\d{0,2})(\.\d{1,6})?(\.\d{1,6})?:?")
_KEY = re.compile(r"([A-Ga-g])(#+|-+|b+)?;?:")
_FIGURE = re.compile(r"([#b-]*)(VII|VI|V|IV|III|II|I|vii|vi|v|iv|iii|ii|i|N|Cad|It|Ger|Fr)(?![a-zA-Z]*:)(.*)")
_APPLIED = re.compile(r"/([#b-]*)(VII|VI|V|IV|III|II|I|vii|vi|v|iv|iii|ii|i)")
_DEGREES = {"i": 0, "ii": 1, "iii": 2, "iv": 3, "v": 4, "vi": 5, "vii": 6}
# Semitones above the tonic of chords that have names instead of numerals: Neapolitan, cadential six-four (a dominant),
# and for the augmented sixths their lowest note, which has no better claim to be a root than others but always sounds.
_NAMED = {"N": 1, "Cad": 7, "It": 8, "Ger": 8, "Fr": 8}

_LEAST_SHARE = 0.8
_LEAST_SHARE_OF_QUARTER = 0.6
_FARTHEST = 12  # bars


@dataclass(frozen=True)
class RomanKey:
    """A key and where in the bars of the analysis it begins.

    Parameters
    ----------
    measure : int
        As numbered in the analysis.
    beat : float
        From 1, as written there.
    key : Key
        Major or minor.
    metre : Metre
        In force there.
    """

    measure: int
    beat: float
    key: Key
    metre: Metre

    @property
    def offset(self) -> float:
        """Quarters from the beginning of the (full) bar."""
        return (self.beat - 1) * _beat_length(self.metre)


@dataclass(frozen=True)
class RomanChord:
    """A chord of the analysis: where it begins, as in `RomanKey`, and the pitch class of its root."""

    measure: int
    beat: float
    root: int
    metre: Metre

    @property
    def offset(self) -> float:
        """Quarters from the beginning of the (full) bar."""
        return (self.beat - 1) * _beat_length(self.metre)


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
        Share of the chords whose root sounds in the score when they begin, so moved.
    reason : str
        Why it does not fit; empty if it does.
    """

    fits: bool
    offset: int
    transposition: int
    share: float
    reason: str = ""
