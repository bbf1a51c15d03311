"""Sets of pitch-class channels by name: what the transposition-tied models can look at.

A set is a function from a table to an array (n_pieces, n_channels, 12), float32, that rolls along its last axis when
the music is moved, with a name for each channel.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.errors import EstimatorError
from keybench.estimators.bass_features import BASS_CHANNEL_NAMES, BASS_SINGLE_NOTE, bass_channels
from keybench.estimators.both_features import BOTH_CHANNEL_NAMES, BOTH_SINGLE_NOTE, BOTH_WEIGHT, both_channels
from keybench.estimators.chroma_features import (
    CHROMA_CHANNEL_NAMES,
    RECORDING_CHANNEL_NAMES,
    chroma_channels,
    recording_channels,
)
from keybench.estimators.features import CHANNEL_NAMES, SINGLE_NOTE, tune_channels
from keybench.estimators.score_features import SCORE_CHANNEL_NAMES, score_channels
from keybench.key import INTERVALS

AUTO = "auto"


@dataclass(frozen=True)
class ChannelSet:
    """A set of channels.

    Parameters
    ----------
    name : str
    takes : {"notes", "chroma", "both"}
        Medium.
    compute : callable
        From a table to an array (n, n_channels, 12), float32.
    names : tuple of str
        One per channel.
    single : bool array, shape (n_channels,)
        Which channels mark one note rather than many.
    weight : float or array, shape (n_channels,)
        What models that compare whole pieces multiply each channel by, once it has unit length.
    """

    name: str
    takes: str
    compute: Callable[[Any], npt.NDArray[np.float32]]
    names: tuple[str, ...]
    single: npt.NDArray[np.bool_]
    weight: float | npt.NDArray[np.float64] = 1.0


def none_single(names: tuple[str, ...]) -> npt.NDArray[np.bool_]:
    """Return `ChannelSet.single` of a set in which no channel marks one note."""
    return np.zeros(len(names), dtype=bool)


CHANNEL_SETS: dict[str, ChannelSet] = {
    each.name: each
    for each in (
        ChannelSet("tune", "notes", tune_channels, CHANNEL_NAMES, SINGLE_NOTE),
        ChannelSet("score", "notes", score_channels, SCORE_CHANNEL_NAMES, none_single(SCORE_CHANNEL_NAMES)),
        ChannelSet("chroma", "chroma", chroma_channels, CHROMA_CHANNEL_NAMES, none_single(CHROMA_CHANNEL_NAMES)),
        ChannelSet("bass", "notes", bass_channels, BASS_CHANNEL_NAMES, BASS_SINGLE_NOTE),
        ChannelSet(
            "recording", "chroma", recording_channels, RECORDING_CHANNEL_NAMES, none_single(RECORDING_CHANNEL_NAMES)
        ),
        ChannelSet("both", "both", both_channels, BOTH_CHANNEL_NAMES, BOTH_SINGLE_NOTE, BOTH_WEIGHT),
    )
}
"""All sets by name."""

_USUAL = {"notes": "tune", "chroma": "chroma"}


def medium_of(table: Any) -> str:
    """Return ``notes``, ``chroma`` or ``both``."""
    return {ChromaTable: "chroma", BothTable: "both"}.get(type(table), "notes")


def channel_set(name: str, table: Any = None) -> ChannelSet:
    """Return a set by name, or the usual one for a table's medium where the name is ``auto``.

    Raises
    ------
    EstimatorError
        If there is none of that name, or it is for another medium than the table's.
    """
    if name == AUTO and table is not None:
        kind = medium_of(table)
        if kind not in _USUAL:
            raise EstimatorError(f"no usual channels for {kind}; accepted: channels = one of {', '.join(CHANNEL_SETS)}")
        name = _USUAL[kind]
    if name not in CHANNEL_SETS:
        raise EstimatorError(f"unknown channels {name!r}; accepted: {', '.join((AUTO, *CHANNEL_SETS))}")
    found = CHANNEL_SETS[name]
    if table is not None and found.takes != medium_of(table):
        raise EstimatorError(
            f"channels {name!r} are of {found.takes} and the music is {medium_of(table)}; accepted: one and the same"
        )
    return found


def _interval(semitones: str | int) -> str:
    return f"a {INTERVALS[int(semitones) % 12]}"


_WORDS: tuple[tuple[str, str | Callable[[re.Match[str]], str]], ...] = (
    (r"^step of (\d+)$", lambda m: f"moves up by {_interval(m[1])} or down by {_interval(-int(m[1]))}"),
    (r"^(?:present|sounding) with note (\d+) above$", lambda m: f"notes heard beside the one {_interval(m[1])} above"),
    (r"\b(\d+) above\b", lambda m: f"{_interval(m[1])} above"),
    (r"^(first|second|last|lowest|highest)$", r"the \1 note"),
    (r"^((?:first|last) (?:three|four|eight))$", r"the \1 notes"),
    (r"^((?:first|second|third|fourth) quarter)$", r"the \1"),
    (r"^heard(?: \(share\))?$", "how long each note is heard"),
    (r"^present$", "which notes occur"),
    (r"^longest fifth$", "the longest notes"),
    (r"^((?:first|last) downbeat)$", r"the \1"),
)


def centred_channels(X: Any, name: str, scale: npt.NDArray | None = None) -> npt.NDArray[np.float32]:
    """Channels less their mean over the pitch classes, which says nothing about where home is, (n, n_channels, 12).

    Parameters
    ----------
    X : NoteTable, ChromaTable or BothTable
    name : str
        As for `channel_set`.
    scale : array, shape (n_channels,), optional
        Of the model that asks, if it is fitted.

    Raises
    ------
    EstimatorError
        If the model was fitted on other channels.
    """
    channels: npt.NDArray[np.float32] = X.feature(channel_set(name, X).compute)
    if scale is not None and len(scale) != channels.shape[1]:
        raise EstimatorError("fitted on notes and asked about chroma, or the reverse; accepted: what it was fitted on")
    centred: npt.NDArray[np.float32] = channels - channels.mean(axis=2, keepdims=True)
    return centred


def channel_scales(channels: npt.NDArray[np.float32], known: ChannelSet, single_note: float) -> Any:
    """Root mean square length of each centred channel; for those of single notes over `single_note`, (n_channels,)."""
    scale = np.maximum(np.sqrt((channels**2).sum(axis=2).mean(axis=0)), 1e-6)
    scale /= np.where(known.single, single_note, 1.0)
    return scale


def in_words(name: str) -> str:
    """Write the name of a channel as it stands in a sentence: ``step of 7`` is moves up by a fifth."""
    before, colon, own = name.rpartition(": ")
    for pattern, words in _WORDS:
        own = re.sub(pattern, words, own)
    return before + colon + own
