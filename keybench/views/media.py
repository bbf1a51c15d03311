"""Which medium a view shows, and seeing a corpus through it: notes, or the chroma of recordings of the same pieces.

Views of chroma begin with ``chroma`` (bass and treble), ``chroma-bass`` or ``chroma-treble``; ``opening-N-seconds`` may
follow, joined by `` + ``. All others are views of notes. ``NOTES with CHROMA`` shows both: ``lowest-line with chroma``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from keybench import views
from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.errors import ExperimentError
from keybench.notes import NoteTable

_WITH = " with "
CHROMA_VIEWS = ("chroma", "chroma-bass", "chroma-treble")


@dataclass(frozen=True)
class Heard:
    """What a view lets be heard.

    Parameters
    ----------
    music : NoteTable, ChromaTable or BothTable
        All pieces, in order.
    shift : int array, shape (n_pieces,)
        By how many semitones each piece was moved; its true keys move with it.
    """

    music: NoteTable | ChromaTable | BothTable
    shift: npt.NDArray[np.int64]

    @cached_property
    def sizes(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Number of notes and of different pitch classes of each piece, each shape (n,); 0 for recordings."""
        notes = self.music.notes if isinstance(self.music, BothTable) else self.music
        if not isinstance(notes, NoteTable):
            return np.zeros(len(self.music), dtype=np.int64), np.zeros(len(self.music), dtype=np.int64)
        cells = np.unique(12 * notes.piece + np.floor(notes.pitch + 0.5).astype(np.int64) % 12)
        return notes.n_notes, np.bincount(cells // 12, minlength=len(notes))


def medium(name: str) -> str:
    """Return ``notes``, ``chroma`` or ``both``.

    Raises
    ------
    ExperimentError
        If there is no view of that name.
    """
    if _WITH in name:
        parts = name.split(_WITH)
        if [medium(part) for part in parts] != ["notes", "chroma"]:
            raise ExperimentError(f"unknown view {name!r}; accepted around 'with': a view of notes, one of chroma")
        return "both"
    first = name.split(" + ")[0]
    if first in CHROMA_VIEWS:
        _opening_seconds(name)
        return "chroma"
    try:
        views.read_name(name)
    except ExperimentError as error:
        raise ExperimentError(f"{error}; of chroma: {', '.join(CHROMA_VIEWS)}, each with or without "
                              "' + opening-N-seconds'") from None  # fmt: skip
    return "notes"


def hear(name: str, notes: NoteTable, chroma: ChromaTable | None, seed: int) -> Heard:
    """Show pieces through a view.

    Raises
    ------
    ExperimentError
        If there is no view of that name, or it shows chroma and the corpora have none.
    """
    if medium(name) == "both":
        of_notes, of_chroma = (hear(part, notes, chroma, seed) for part in name.split(_WITH))
        if of_notes.shift.any():
            raise ExperimentError(
                f"view {name!r} moves the notes and not the recording; accepted: without 'transposed'"
            )
        return Heard(BothTable(of_notes.music, of_chroma.music), of_notes.shift)  # type: ignore[arg-type]
    if medium(name) == "notes":
        seen = views.view(name, notes, seed)
        return Heard(seen.notes, seen.shift)
    if chroma is None:
        raise ExperimentError(f"view {name!r} shows chroma, which not all of these corpora have; accepted: corpora "
                              "with chroma (see: keybench corpora list)")  # fmt: skip
    columns = chroma.columns()
    for silenced in {"chroma-bass": ["treble"], "chroma-treble": ["bass"]}.get(name.split(" + ")[0], []):
        columns[silenced] = np.zeros_like(columns[silenced])
    table = ChromaTable(**columns, offsets=chroma.offsets)
    seconds = _opening_seconds(name)
    if seconds is not None:
        starts = table.time[np.minimum(table.offsets[:-1], max(len(table.time) - 1, 0))] if len(table.time) else 0.0
        table = table.keep(table.time - np.repeat(np.broadcast_to(starts, len(table)), table.n_rows) < seconds)
    return Heard(table, np.zeros(len(chroma), dtype=np.int64))


def _opening_seconds(name: str) -> int | None:
    """Return N of ``opening-N-seconds``, or None where the whole is heard."""
    rest = name.split(" + ")[1:]
    if not rest:
        return None
    match = re.fullmatch(r"opening-([1-9]\d{0,5})-seconds", rest[0])
    if len(rest) > 1 or match is None:
        raise ExperimentError(f"unknown view {name!r}; accepted after a view of chroma: opening-N-seconds")
    return int(match[1])
