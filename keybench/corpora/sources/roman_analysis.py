"""Joining scores with romanText analyses that stand in files of their own."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from keybench.corpora.readers import roman_text
from keybench.corpora.readers.reading import LabelSpan, Reading


@dataclass(frozen=True)
class Fitted:
    """What an analysis says of a score: local keys where it fits, else why it does not."""

    spans: tuple[LabelSpan, ...] = ()
    remark: str = ""


def pair(files: Mapping[str, bytes], analyses: Mapping[str, bytes]) -> dict[str, bytes]:
    """Return the analysis of each score that has one, by the score's path.

    They belong together if they have one stem, or if the number in the score's name is the analysis' folder or name.
    """
    by_stem, by_number = {}, {}
    for name, data in analyses.items():
        path = PurePosixPath(name)
        by_stem[path.stem] = data
        for part in (path.parent.name, path.stem):
            if part.isdigit():
                by_number[int(part)] = data
    found = {}
    for name in files:
        stem = PurePosixPath(name).stem
        number = re.search(r"\d+$", stem)
        if stem in by_stem:
            found[name] = by_stem[stem]
        elif number is not None and int(number[0]) in by_number:
            found[name] = by_number[int(number[0])]
    return found


def fit(analysis: bytes, reading: Reading | None) -> Fitted:
    """Place the keys of an analysis in a score.

    Raises
    ------
    ReadError
        If the analysis cannot be read.
    """
    if reading is None or reading.bars is None:
        return Fitted(remark="no local keys: the score has no bars to place the analysis in")
    text = analysis.decode("utf-8", errors="replace")
    keys = roman_text.read_keys(text)
    found = roman_text.alignment(roman_text.read_chords(text), reading.notes, reading.bars)
    if not found.fits:
        return Fitted(remark=f"no local keys: the analysis does not fit the score ({found.reason})")
    placed = roman_text.place(keys, reading.bars, reading.bars.end, found.offset, found.transposition)
    return Fitted(tuple(placed))


def longest_mode(spans: tuple[LabelSpan, ...], tonic: int) -> int | None:
    """Return the mode that holds longest on a home note; None if the music is never there."""
    held: dict[int, float] = {}
    for span in spans:
        if span.tonic == tonic and span.mode is not None:
            held[span.mode] = held.get(span.mode, 0.0) + span.end - span.start
    return max(held, key=lambda mode: held[mode]) if held else None
