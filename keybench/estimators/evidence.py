"""Evidence that a musician can read: what in the notes of a piece speaks for a key and against it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.estimators.chroma_features import chroma_weights
from keybench.estimators.features import edge_note, pitch_classes
from keybench.key import N_MODES, SCALES, Key, key_at, mode_in_text
from keybench.notes import NoteTable

_NOTE_NAMES = ("C", "C-sharp", "D", "E-flat", "E", "F", "F-sharp", "G", "A-flat", "A", "B-flat", "B")


@dataclass(frozen=True)
class Evidence:
    """Why a key, for one piece.

    Parameters
    ----------
    ranked : list of (Key, float)
        The five most probable keys with their probabilities.
    scale_fit : dict
        For each mode on the answer's home note: how many notes lie in the scale, of how many; in recordings, how many
        hundredths of the energy, of 100.
    outside : list of (float, str)
        Onset and name of the first notes outside the answer's scale (twelve at most).
    first_note, last_note : str or None
        Names of the opening and closing notes.
    words : list of str
        The same as sentences.
    """

    ranked: list[tuple[Key, float]]
    scale_fit: dict[str, tuple[int, int]]
    outside: list[tuple[float, str]]
    first_note: str | None
    last_note: str | None
    words: list[str] = field(default_factory=list)


def note_name(pitch: float) -> str:
    """Return the name of a note's pitch class in words, as in ``F-sharp``."""
    return _NOTE_NAMES[int(np.floor(pitch + 0.5)) % 12]


def describe(
    piece: NoteTable | ChromaTable | BothTable, log_proba: npt.NDArray[np.float64], reasons: list[str]
) -> Evidence:
    """Collect the evidence for one piece.

    Parameters
    ----------
    piece : NoteTable, ChromaTable or BothTable
        Of one piece.
    log_proba : array, shape (84,)
    reasons : list of str
        What the method itself has to say, put first.
    """
    order = np.argsort(-log_proba, kind="stable")[:5]
    ranked = [(key_at(int(i)), float(np.exp(log_proba[i]))) for i in order]
    best, runner_up = ranked[0], ranked[1]
    most = f"Most probable: {best[0]} ({best[1]:.0%}), then {runner_up[0]} ({runner_up[1]:.0%})."
    if isinstance(piece, BothTable):
        piece = piece.notes
    if isinstance(piece, ChromaTable):
        return _describe_chroma(piece, ranked, [*reasons, most])
    degrees = (pitch_classes(piece) - best[0].tonic) % 12
    n = len(degrees)
    scale_fit = {mode_in_text(m): (int(SCALES[m][degrees].sum()), n) for m in range(N_MODES)}
    strange = np.flatnonzero(~SCALES[best[0].mode][degrees])
    outside = [(float(piece.onset[i]), note_name(piece.pitch[i])) for i in strange[:12]]
    first = note_name(float(edge_note(piece, last=False)[0])) if n else None
    last = note_name(float(edge_note(piece, last=True)[0])) if n else None
    words = [*reasons, most]
    if n:
        inside = scale_fit[best[0].mode_name][0]
        words.append(f"{inside} of {n} notes lie in the scale of {best[0]}; it opens on {first} and ends on {last}.")
    if outside:
        places = ", ".join(f"{name} at {onset:g}" for onset, name in outside[:4])
        more = f" and {len(strange) - 4} more" if len(strange) > 4 else ""
        words.append(f"Outside that scale: {places}{more} (onsets in {piece.unit}s).")
    return Evidence(ranked, scale_fit, outside, first, last, words)


def _describe_chroma(piece: ChromaTable, ranked: list[tuple[Key, float]], words: list[str]) -> Evidence:
    """Collect the evidence for one recording, which has energies instead of notes."""
    best = ranked[0][0]
    heard = np.roll(chroma_weights(piece)[0], -best.tonic)
    total = heard.sum()
    if total == 0:
        return Evidence(ranked, {mode_in_text(m): (0, 0) for m in range(N_MODES)}, [], None, None, words)
    fit = {mode_in_text(m): (round(100 * float(heard[SCALES[m]].sum() / total)), 100) for m in range(N_MODES)}
    strongest = note_name(float(heard.argmax() + best.tonic))
    words.append(
        f"{fit[best.mode_name][0]} % of the energy lies in the scale of {best}; the strongest note is {strongest}."
    )
    return Evidence(ranked, fit, [], None, None, words)
