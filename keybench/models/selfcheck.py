"""A model's answers to three small pieces, kept beside it: a loaded model must still give them.

Weights mean something only to the code that they were learnt with. If that changed since, or a file was exchanged for
another of the same shape, a loaded model would answer, and wrongly; its kept answers show it.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.errors import ModelError
from keybench.estimators import KeyEstimator
from keybench.key import DORIAN, MAJOR, MINOR, N_KEYS, SCALE_STEPS
from keybench.notes import DOWNBEAT, NoteTable, Piece

MEDIA = ("notes", "chroma", "both")

_TOLERANCE = 0.02  # in probability: wider than what processors and libraries differ by, far under a changed method


@cache
def pieces(medium: str) -> Any:
    """Return three pieces, made by rule: a tune over a bass in D major, a tune in G Dorian, four notes in A minor.

    Parameters
    ----------
    medium : {"notes", "chroma", "both"}
    """
    if medium == "both":
        return BothTable(pieces("notes"), pieces("chroma"))
    parts = [
        _tune(2, MAJOR, [0, 1, 2, 4, 3, 2, 1, 0, 4, 5, 4, 3, 2, 1, 6, 0], bass=True),
        _tune(7, DORIAN, [0, 2, 4, 5, 6, 5, 4, 2, 3, 1, 6, 0]),
        _tune(9, MINOR, [0, 2, 4, 0]),
    ]
    if medium == "notes":
        return NoteTable.from_pieces(parts)
    return ChromaTable.from_frames([_frames(piece) for piece in parts])


def _tune(tonic: int, mode: int, degrees: list[int], bass: bool = False) -> Piece:
    pitch = 60.0 + tonic + SCALE_STEPS[mode][degrees]
    onset = np.arange(len(pitch), dtype=float)
    accent = np.where(onset % 4 == 0, DOWNBEAT, 0)
    part = np.zeros(len(pitch), dtype=np.int64)
    length = np.where(onset % 4 == 3, 0.5, 1.0)
    if not bass:
        return Piece(onset, length, pitch, part, accent)
    low = np.arange(0.0, len(pitch), 4.0)
    low_pitch = 36.0 + tonic + np.array([0, 5, 7, 0])[: len(low)]
    columns = ((onset, low), (length, np.full(len(low), 4.0)), (pitch, low_pitch), (part, part[: len(low)] - 1),
               (accent, np.full(len(low), DOWNBEAT)))  # fmt: skip
    return Piece(*(np.concatenate(column) for column in columns))


def _frames(piece: Piece) -> tuple[npt.NDArray, npt.NDArray, npt.NDArray]:
    """Half-beat frames in which what sounds has energy 1, its fifth a little, and everything a trace."""
    time = np.arange(0.0, float(np.max(piece.onset + piece.duration)), 0.5)
    chroma = [np.full((len(time), 12), 0.05), np.full((len(time), 12), 0.05)]
    for onset, duration, pitch in zip(piece.onset, piece.duration, piece.pitch, strict=True):
        sounding = (time >= onset) & (time < onset + duration)
        for step, energy in ((0, 1.0), (7, 0.2)):
            chroma[int(pitch >= 48)][sounding, (int(pitch) + step) % 12] += energy
    return 0.5 * time, chroma[0], chroma[1]


def answers(model: KeyEstimator) -> dict[str, npt.NDArray[np.float32]]:
    """Return the model's log-probabilities for the pieces, shape (3, 84), by each medium that it answers to.

    Raises
    ------
    ModelError
        If it answers to none.
    """
    found, reason = {}, ""
    for medium in MEDIA:
        try:
            found[medium] = _answer(model, medium)
        except Exception as error:  # a method throws what it likes at music that it was not taught
            reason = reason or str(error)
    if not found:
        raise ModelError(f"this {type(model).__name__} answers no test piece ({reason}); accepted: a fitted estimator")
    return found


def confirm(model: KeyEstimator, kept: dict[str, npt.NDArray]) -> None:
    """Complain if the model's answers are not those that were kept.

    Raises
    ------
    ModelError
    """
    for medium, expected in kept.items():
        try:
            said = _answer(model, medium)
        except Exception as error:  # whatever damaged content makes a method throw
            text = " ".join(f"{type(error).__name__}: {error}".split())[:200]
            raise ModelError(f"cannot answer a test piece ({text}); fit it again with this keybench") from None
        if expected.shape != said.shape or not np.abs(np.exp(said) - np.exp(expected)).max() <= _TOLERANCE:
            raise ModelError(
                "answers a test piece otherwise than when it was saved: the file was changed, or the method was; "
                "fit it again with this keybench"
            )


def _answer(model: KeyEstimator, medium: str) -> npt.NDArray[np.float32]:
    music = pieces(medium)
    if not model.tags.hears(medium):
        raise ModelError(f"it takes {model.tags.takes}")
    with np.errstate(all="ignore"):
        log_proba = np.asarray(model.predict_log_proba(music))
    if log_proba.shape != (len(music), N_KEYS) or not np.isfinite(log_proba).all():
        raise ModelError("its answer is no distribution over the 84 keys")
    return log_proba.astype(np.float32)
