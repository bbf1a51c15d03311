"""A corpus in memory: notes of all pieces, their truths, and what could not be read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from keybench.chroma import ChromaTable
from keybench.corpora.cache import content_hash
from keybench.notes import NoteTable
from keybench.spans import SpanTable

LEFT_OUT, UNREADABLE, REMARK = "left out", "unreadable", "remark"
"""Kinds of problem: a piece without a usable label is left out; a labelled piece whose notes cannot be read stays and
counts as wrong; a remark says what a piece that is whole otherwise lacks, such as local keys."""


@dataclass(frozen=True)
class Problem:
    """What is wrong with a piece.

    Parameters
    ----------
    piece : str
        Piece id.
    reason : str
        One line.
    kind : {"left out", "unreadable", "remark"}
    """

    piece: str
    reason: str
    kind: str

    @property
    def scored(self) -> bool:
        """True if the piece stands without notes, and every answer to it counts as wrong."""
        return self.kind == UNREADABLE


@dataclass(frozen=True)
class Corpus:
    """Labelled pieces.

    Parameters
    ----------
    id : str
    manifest_hash, content_hash : str
        Provenance.
    notes : NoteTable
    pieces : str array, shape (n,)
        Piece ids, unique.
    truth : bool array, shape (n, 84)
        Acceptable keys.
    tonic, mode : int arrays, shape (n,)
        The key as written in the source; `mode` is `keybench.key.NO_MODE` where it names a home note only.
    spans : SpanTable
        Local keys; a piece may have none.
    chroma : ChromaTable or None
        Of recordings of the same pieces, in corpora that carry them.
    variant_keys : list of tuples of str, length n
        Pieces that share one of these are related; see `keybench.corpora.grouping`.
    strata : list of tuples of str, length n
        Kinds that results are also given for.
    problems : list of Problem
    missing : list of str
        Files that the corpus has and this machine lacks.
    corpus : str array, shape (n,)
        Corpus id of each piece (several after `pool`).
    """

    id: str
    manifest_hash: str
    content_hash: str
    notes: NoteTable
    pieces: npt.NDArray[np.str_]
    truth: npt.NDArray[np.bool_]
    tonic: npt.NDArray[np.int64]
    mode: npt.NDArray[np.int64]
    spans: SpanTable
    chroma: ChromaTable | None
    variant_keys: list[tuple[str, ...]]
    strata: list[tuple[str, ...]]
    problems: list[Problem]
    missing: list[str]
    corpus: npt.NDArray[np.str_]

    def __len__(self) -> int:
        return len(self.pieces)

    @property
    def read_errors(self) -> dict[str, str]:
        """Reason by piece id, for pieces that are scored but have no notes."""
        return {problem.piece: problem.reason for problem in self.problems if problem.scored}

    @cached_property
    def n_local_keys(self) -> npt.NDArray[np.int64]:
        """Number of different keys that the source names over time, shape (n,); 0 where it names one for the whole."""
        keys = np.unique(np.stack([self.spans.piece, self.spans.tonic, self.spans.mode]), axis=1)
        return np.bincount(keys[0], minlength=len(self))

    def select(self, rows: npt.NDArray[np.int64]) -> Corpus:
        """Return some pieces, by index, with the problems of pieces that were left out anyhow."""
        kept = set(self.pieces[rows])
        return replace(
            self,
            notes=self.notes[rows].detach(),
            pieces=self.pieces[rows],
            truth=self.truth[rows],
            tonic=self.tonic[rows],
            mode=self.mode[rows],
            spans=self.spans[rows].detach(),
            chroma=None if self.chroma is None else self.chroma[rows].detach(),
            variant_keys=[self.variant_keys[i] for i in rows],
            strata=[self.strata[i] for i in rows],
            problems=[p for p in self.problems if p.kind == LEFT_OUT or p.piece in kept],
            corpus=self.corpus[rows],
        )

    def head(self, limit: int | None) -> Corpus:
        """Return `limit` pieces of a fixed shuffle, in their old order, so that a small share looks like the whole."""
        if limit is None or limit >= len(self):
            return self
        return self.select(np.sort(np.random.default_rng(0).permutation(len(self))[:limit]))


def pool(corpora: Sequence[Corpus]) -> Corpus:
    """Put several corpora into one, piece after piece; chroma stays only if all have it."""
    chroma = [corpus.chroma for corpus in corpora if corpus.chroma is not None]
    return Corpus(
        id="+".join(corpus.id for corpus in corpora),
        manifest_hash=content_hash([(c.id, c.manifest_hash.encode()) for c in corpora]),
        content_hash=content_hash([(c.id, c.content_hash.encode()) for c in corpora]),
        notes=NoteTable.concatenate([corpus.notes for corpus in corpora]),
        pieces=np.concatenate([corpus.pieces for corpus in corpora]),
        truth=np.concatenate([corpus.truth for corpus in corpora]),
        tonic=np.concatenate([corpus.tonic for corpus in corpora]),
        mode=np.concatenate([corpus.mode for corpus in corpora]),
        spans=SpanTable.concatenate([corpus.spans for corpus in corpora]),
        chroma=ChromaTable.concatenate(chroma) if len(chroma) == len(corpora) else None,
        variant_keys=[keys for corpus in corpora for keys in corpus.variant_keys],
        strata=[kinds for corpus in corpora for kinds in corpus.strata],
        problems=[problem for corpus in corpora for problem in corpus.problems],
        missing=[path for corpus in corpora for path in corpus.missing],
        corpus=np.concatenate([corpus.corpus for corpus in corpora]),
    )
