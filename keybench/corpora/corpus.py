"""A corpus in memory: notes of all pieces, their truths, and what could not be read."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from joblib import Parallel, delayed

from keybench.corpora import cache
from keybench.corpora.grouping import opening_key, title_key
from keybench.corpora.manifest import Manifest, read_manifest
from keybench.corpora.readers import abc
from keybench.errors import ReadError
from keybench.key import N_KEYS, truth_mask
from keybench.notes import NoteTable, Piece

_CHUNK = 64  # tunes per unit of reading work
_EMPTY = Piece(np.zeros(0), np.zeros(0), np.zeros(0))


@dataclass(frozen=True)
class Problem:
    """Why a piece is left out or stands without notes.

    Parameters
    ----------
    piece : str
        Piece id.
    reason : str
        One line.
    scored : bool
        True if the piece has a label: it stays, without notes, and every answer to it counts as wrong.
    """

    piece: str
    reason: str
    scored: bool


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
    label : int array, shape (n,)
        The key as written in the source.
    variant_keys : list of tuples of str, length n
        Pieces that share one of these are variants of each other; see `keybench.corpora.grouping`.
    problems : list of Problem
    corpus : str array, shape (n,)
        Corpus id of each piece (several after `pool`).
    """

    id: str
    manifest_hash: str
    content_hash: str
    notes: NoteTable
    pieces: npt.NDArray[np.str_]
    truth: npt.NDArray[np.bool_]
    label: npt.NDArray[np.int64]
    variant_keys: list[tuple[str, ...]]
    problems: list[Problem]
    corpus: npt.NDArray[np.str_]

    def __len__(self) -> int:
        return len(self.pieces)

    @property
    def read_errors(self) -> dict[str, str]:
        """Reason by piece id, for pieces that are scored but have no notes."""
        return {problem.piece: problem.reason for problem in self.problems if problem.scored}

    def head(self, limit: int | None) -> Corpus:
        """Return `limit` pieces of a fixed shuffle, in their old order, so that a small share looks like the whole."""
        if limit is None or limit >= len(self):
            return self
        rows = np.sort(np.random.default_rng(0).permutation(len(self))[:limit])
        kept = set(self.pieces[rows])
        return Corpus(
            self.id,
            self.manifest_hash,
            self.content_hash,
            self.notes[rows].detach(),
            self.pieces[rows],
            self.truth[rows],
            self.label[rows],
            [self.variant_keys[i] for i in rows],
            [p for p in self.problems if not p.scored or p.piece in kept],
            self.corpus[rows],
        )


def _read_chunk(tunes: list[str]) -> list[tuple[Piece | None, str]]:
    """Read the notes of some tunes; a piece that cannot be read comes back as its reason."""
    out: list[tuple[Piece | None, str]] = []
    with abc.quiet_stdout():
        for tune in tunes:
            try:
                out.append((abc.read_notes(tune), ""))
            except ReadError as error:
                out.append((None, str(error)))
    return out


def _tunes(corpus: str, files: Sequence[tuple[str, bytes]]) -> tuple[list[tuple[str, str, str]], list[Problem]]:
    """Return (piece id, file, text) of every tune, and files without any."""
    tunes: list[tuple[str, str, str]] = []
    problems = []
    seen: dict[str, int] = {}
    for name, data in files:
        found = abc.split_tunes(_decode(data))
        if not found:
            where = f"{corpus}:{name}"
            problems.append(Problem(where, f"{where}: no tune in it; accepted: ABC tunes that start with X:", False))
        for number, tune in found:
            piece = f"{Path(name).stem}/{number or '?'}"
            seen[piece] = seen.get(piece, 0) + 1
            unique = piece if seen[piece] == 1 else f"{piece}.{seen[piece]}"
            tunes.append((f"{corpus}:{unique}", name, tune))
    return tunes, problems


def _decode(data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")  # every byte is a character there


def read_files(
    manifest: Manifest,
    files: Sequence[tuple[str, bytes]],
    n_jobs: int = 1,
    progress: Callable[[int], None] = lambda n: None,
) -> Corpus:
    """Read a corpus from the contents of its files.

    Parameters
    ----------
    manifest : Manifest
    files : list of (name, content)
    n_jobs : int
        Processes to read with.
    progress : callable
        Called with the number of tunes that were read since the last call.

    Returns
    -------
    Corpus
    """
    tunes, problems = _tunes(manifest.id, files)
    texts = [tune for _, _, tune in tunes]
    chunks = [texts[i : i + _CHUNK] for i in range(0, len(texts), _CHUNK)]
    results: list[tuple[Piece | None, str]] = []
    workers = Parallel(n_jobs=n_jobs if len(chunks) > 2 else 1, return_as="generator")
    for chunk in workers(delayed(_read_chunk)(chunk) for chunk in chunks):
        results += chunk
        progress(len(chunk))

    pieces, ids, labels, accepted, variants = [], [], [], [], []
    for (name, file, tune), (piece, reason) in zip(tunes, results, strict=True):
        where = f"{name} ({file})"
        try:
            label = abc.read_key(tune)
        except ReadError as error:
            problems.append(Problem(name, f"{where}: {error}", False))
            continue
        if piece is None:
            problems.append(Problem(name, f"{where}: {reason}", True))
            piece = _EMPTY
        pieces.append(piece)
        ids.append(name)
        labels.append(label.index)
        accepted.append(manifest.accepted_keys(label))
        keys = [title_key(title) for title in abc.read_titles(tune)]
        variants.append(tuple(key for key in (*keys, opening_key(piece, label.tonic)) if key))
    return Corpus(
        id=manifest.id,
        manifest_hash=manifest_hash(manifest),
        content_hash=cache.content_hash(files),
        notes=NoteTable.from_pieces(pieces),
        pieces=np.array(ids, dtype=np.str_),
        truth=truth_mask(accepted),
        label=np.array(labels, dtype=np.int64),
        variant_keys=variants,
        problems=problems,
        corpus=np.full(len(ids), manifest.id),
    )


def manifest_hash(manifest: Manifest) -> str:
    """Return a hash of everything that a manifest states."""
    return cache.content_hash([("manifest", repr(manifest).encode())])


def _code_hash() -> str:
    """Return a hash of the source that decides what is cached: a changed rule must not read an old cache."""
    package = Path(__file__).resolve().parent
    sources = [*sorted((package / "readers").glob("*.py")), *sorted(package.glob("*.py")), package.parent / "key.py"]
    return cache.content_hash([(source.name, source.read_bytes()) for source in sources])


def load(name: str, n_jobs: int = 1, progress: Callable[[int], None] = lambda n: None) -> Corpus:
    """Load a corpus, from the cache if its files and its manifest are unchanged.

    Parameters
    ----------
    name : str
        Id of a shipped manifest, or the path of a manifest file.
    n_jobs : int
        Processes to read with where nothing is cached.
    progress : callable
        Called with the number of tunes that were read since the last call.

    Returns
    -------
    Corpus

    Raises
    ------
    ManifestError, CorpusMissingError
    """
    manifest = read_manifest(name)
    files, unreadable = [], []
    for path in manifest.locate():
        try:
            files.append((path.name, path.read_bytes()))
        except OSError as error:
            where = f"{manifest.id}:{path.name}"
            reason = f"{where}: cannot be read ({error.strerror}); accepted: readable files"
            unreadable.append(Problem(where, reason, False))
    content = cache.content_hash(files)
    state = manifest_hash(manifest)
    path = cache.path_for(manifest.id, content, state, _code_hash())
    arrays = None if unreadable else cache.read(path)
    cached = None if arrays is None else _unpack(manifest.id, state, content, arrays)
    if cached is not None:
        progress(len(cached))
        return cached
    corpus = read_files(manifest, files, n_jobs, progress)
    if unreadable:  # not cached: the next time they may be readable
        return Corpus(**{**vars(corpus), "problems": corpus.problems + unreadable})
    cache.write(path, _pack(corpus))
    return corpus


_COLUMNS = ("onset", "duration", "pitch", "part", "accent", "offsets")


def _pack(corpus: Corpus) -> dict[str, npt.NDArray]:
    notes = corpus.notes
    return {
        "onset": notes.onset,
        "duration": notes.duration,
        "pitch": notes.pitch.astype(np.float32),
        "part": notes.part.astype(np.int16),
        "accent": notes.accent.astype(np.int8),
        "offsets": notes.offsets,
        "pieces": corpus.pieces,
        "truth": np.packbits(corpus.truth, axis=1),
        "label": corpus.label,
        "variant_keys": np.array(json.dumps(corpus.variant_keys)),
        "problems": np.array(json.dumps([vars(problem) for problem in corpus.problems])),
    }


def _unpack(name: str, state: str, content: str, arrays: dict[str, npt.NDArray]) -> Corpus | None:
    """Return the cached corpus, or None if the arrays are not what `_pack` writes."""
    try:
        onset, duration, pitch, part, accent, offsets = (arrays[column] for column in _COLUMNS)
        variant_keys = json.loads(str(arrays["variant_keys"]))
        n, notes = len(arrays["pieces"]), len(onset)
        whole = (
            offsets.shape == (n + 1,)
            and (np.diff(offsets) >= 0).all()
            and (offsets[0], offsets[-1]) == (0, notes)
            and all(column.shape == (notes,) for column in (duration, pitch, part, accent))
            and all(np.isfinite(column).all() for column in (onset, duration, pitch))
            and (len(arrays["truth"]), len(arrays["label"]), len(variant_keys)) == (n, n, n)
        )
        if not whole:
            return None
        return Corpus(
            id=name,
            manifest_hash=state,
            content_hash=content,
            notes=NoteTable(
                onset, duration, pitch.astype(float), part.astype(np.int64), accent.astype(np.int64), offsets
            ),
            pieces=arrays["pieces"],
            truth=np.unpackbits(arrays["truth"], axis=1, count=N_KEYS).astype(bool),
            label=arrays["label"],
            variant_keys=[tuple(keys) for keys in variant_keys],
            problems=[Problem(**problem) for problem in json.loads(str(arrays["problems"]))],
            corpus=np.full(len(arrays["pieces"]), name),
        )
    except (KeyError, ValueError, TypeError, IndexError):
        return None


def pool(corpora: Sequence[Corpus]) -> Corpus:
    """Put several corpora into one, piece after piece."""
    return Corpus(
        id="+".join(corpus.id for corpus in corpora),
        manifest_hash=cache.content_hash([(c.id, c.manifest_hash.encode()) for c in corpora]),
        content_hash=cache.content_hash([(c.id, c.content_hash.encode()) for c in corpora]),
        notes=NoteTable.concatenate([corpus.notes for corpus in corpora]),
        pieces=np.concatenate([corpus.pieces for corpus in corpora]),
        truth=np.concatenate([corpus.truth for corpus in corpora]),
        label=np.concatenate([corpus.label for corpus in corpora]),
        variant_keys=[keys for corpus in corpora for keys in corpus.variant_keys],
        problems=[problem for corpus in corpora for problem in corpus.problems],
        corpus=np.concatenate([corpus.corpus for corpus in corpora]),
    )
