"""Views: what of a piece an estimator may see.

A view takes a `NoteTable` and returns one with the same pieces in the same order. Some show a part of the music (a
line, an opening), others disturb it by seeded random draws (moved, played wrongly, begun late). Views are composed from
left to right: ``lowest-line + opening-8-notes + transposed``.

- ``whole``: everything
- ``lowest-line``: the sounding bass (`lines.lowest_line`)
- ``top-line``: at each onset the highest of the notes that begin there (`lines.top_line`)
- ``opening-N-notes``: the first N notes (`openings.opening_notes`)
- ``opening-N-beats``: N quarters from the first onset, for pieces timed in quarters (`openings.opening_time`)
- ``opening-N-seconds``: the same in seconds, for pieces timed in seconds
- ``without-last-note``: all but the notes that begin last (`openings.without_last_note`)
- ``late-start``: from a random point between a quarter and three quarters of the piece (`disturb.late_start`)
- ``transposed``: moved by -5 to +6 semitones (`disturb.random_shift`)
- ``passing-notes-P``: chromatic passing notes in P percent of the steps that take one (`disturb.passing_notes`)
- ``dropped-notes-P``: without P percent of the notes (`disturb.dropped_notes`)
- ``wrong-notes-P``: P percent of the notes are one or two semitones off (`disturb.wrong_notes`)
- ``octave-jumps-P``: P percent of the notes are an octave off (`disturb.octave_jumps`)
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from keybench.errors import ExperimentError
from keybench.notes import NoteTable
from keybench.views import disturb, lines, openings

__all__ = ["ACCEPTED", "Seen", "read_name", "view"]

_STEPS: dict[str, Callable[[NoteTable, int, str], NoteTable]] = {  # from a table, N or P, and the name of its draws
    "whole": lambda table, n, draws: table,
    "lowest-line": lambda table, n, draws: lines.lowest_line(table),
    "top-line": lambda table, n, draws: lines.top_line(table),
    "opening-N-notes": lambda table, n, draws: openings.opening_notes(table, n),
    "opening-N-beats": lambda table, n, draws: openings.opening_time(table, n, "quarter"),
    "opening-N-seconds": lambda table, n, draws: openings.opening_time(table, n, "second"),
    "without-last-note": lambda table, n, draws: openings.without_last_note(table),
    "late-start": lambda table, n, draws: disturb.late_start(table, draws),
    "passing-notes-P": disturb.passing_notes,
    "dropped-notes-P": disturb.dropped_notes,
    "wrong-notes-P": disturb.wrong_notes,
    "octave-jumps-P": disturb.octave_jumps,
}
_TRANSPOSED = "transposed"  # the one step that also tells what it did
_LARGEST = {"N": 999_999, "P": 100}

ACCEPTED = (
    f"{', '.join((*_STEPS, _TRANSPOSED))} (N from 1 to {_LARGEST['N']}, P from 1 to {_LARGEST['P']}), "
    "or several joined by ' + '"
)
"""What `view` accepts as a name, for messages."""


@dataclass(frozen=True)
class Seen:
    """What a view shows.

    Parameters
    ----------
    notes : NoteTable
        The pieces of the original table in the same order, detached; a piece may have become empty. Times are those of
        the original, so that spans of time still fit.
    shift : int array, shape (n_pieces,)
        By how many semitones each piece was moved; its true keys move with it.
    """

    notes: NoteTable
    shift: npt.NDArray[np.int64]


def view(name: str, table: NoteTable, seed: int = 0) -> Seen:
    """Return a table as seen through a view.

    Random draws depend on the seed, the view and a piece's own notes, and on nothing else: a piece is disturbed in the
    same way in another selection or order of pieces and in every key (see `keybench.views.draws`).

    Raises
    ------
    ExperimentError
        If there is no view of that name, or it measures in another unit than the table's.
    """
    shift = np.zeros(len(table), dtype=np.int64)
    kinds = read_name(name)
    for i, (kind, number) in enumerate(kinds):
        earlier = [other for other, _ in kinds[:i]].count(kind)  # a view that is applied twice draws anew
        draws = f"{seed} {kind} {earlier}"
        if kind == _TRANSPOSED:
            moved = disturb.random_shift(table, draws)
            table, shift = table.transpose(moved), shift + moved
        else:
            table = _STEPS[kind](table, number, draws)
    return Seen(table.detach(), shift)


def read_name(name: str) -> list[tuple[str, int]]:
    """Read the name of a view into its steps, each a kind and its number: ``("opening-N-notes", 8)``.

    The number of a kind without one is 0.

    Raises
    ------
    ExperimentError
        If a step is none of the known ones.
    """
    if not all(part.strip() for part in name.split("+")):
        raise ExperimentError(f"view {name!r} has an empty part; accepted: {ACCEPTED}")
    return [_read_step(part) for part in name.split(" + ")]


def _read_step(text: str) -> tuple[str, int]:
    for kind in (*_STEPS, _TRANSPOSED):
        match = re.fullmatch(re.sub("[NP]", "([1-9][0-9]{0,5})", kind), text)
        if match and not match.groups():
            return kind, 0
        if match and int(match[1]) <= _LARGEST["P" if "P" in kind else "N"]:
            return kind, int(match[1])
    raise ExperimentError(f"unknown view {text!r}; accepted: {ACCEPTED}")
