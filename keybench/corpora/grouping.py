"""Which pieces belong together, and how groups are dealt into folds.

Two tunes are variants if they share a title or begin with the same 24 notes counted from their tonics. Groups are the
connected components of that relation, over all corpora of an experiment: a tune printed in two books stands in one
group, and no group stands in two folds.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from keybench.notes import Piece

OPENING_NOTES = 24


def title_key(title: str) -> str:
    """Return a title without case, accents, punctuation and leading or trailing articles; empty if nothing is left."""
    folded = unicodedata.normalize("NFKD", title.strip().casefold())
    plain = re.sub(r"^(the|a|an)\s+|,\s*(the|a|an)\.?$", "", folded)
    plain = "".join(character for character in plain if character.isalnum())
    return f"title:{plain}" if plain else ""


def opening_key(piece: Piece, tonic: int) -> str:
    """Return the first notes counted from the tonic; empty for a piece that is too short to tell."""
    if len(piece.pitch) < OPENING_NOTES // 2:
        return ""
    degrees = (np.round(piece.pitch[:OPENING_NOTES]).astype(int) - tonic) % 12
    return "opening:" + ".".join(map(str, degrees))


def group(variant_keys: Sequence[Sequence[str]]) -> npt.NDArray[np.int64]:
    """Return a group number for each piece; pieces that share any key share a group.

    Parameters
    ----------
    variant_keys : sequence of sequences of str, length n

    Returns
    -------
    int array, shape (n,)
        Numbered in order of first appearance.
    """
    n = len(variant_keys)
    numbers: dict[str, int] = {}
    rows, columns = [], []
    for i, keys in enumerate(variant_keys):
        for key in keys:
            rows.append(i)
            columns.append(n + numbers.setdefault(key, len(numbers)))
    size = n + len(numbers)
    links = coo_array((np.ones(len(rows), dtype=bool), (rows, columns)), shape=(size, size))
    labels = connected_components(links, directed=False)[1][:n]
    _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    return np.argsort(np.argsort(first))[inverse]


def deal_folds(groups: npt.NDArray[np.int64], n_folds: int, seed: int) -> npt.NDArray[np.int64]:
    """Deal whole groups into folds of nearly equal size, shape (n,).

    Groups are shuffled, then each goes to the fold with the fewest pieces so far.

    Parameters
    ----------
    groups : int array, shape (n,)
        Group number of each piece, from 0.
    n_folds : int
    seed : int
        Of the shuffle.
    """
    sizes = np.bincount(groups)
    fold_of = np.zeros(len(sizes), dtype=np.int64)
    filled = np.zeros(n_folds)
    for g in np.random.default_rng(seed).permutation(len(sizes)):
        fold_of[g] = filled.argmin()
        filled[fold_of[g]] += sizes[g]
    return fold_of[groups]
