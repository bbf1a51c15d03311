"""From the contents of files to a corpus: every document read, in several processes where there are many."""

from __future__ import annotations

import hashlib
import importlib.util
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from joblib import Parallel, delayed

from keybench.chroma import ChromaTable
from keybench.corpora import cache
from keybench.corpora.corpus import LEFT_OUT, REMARK, UNREADABLE, Corpus, Problem
from keybench.corpora.grouping import opening_key, title_key
from keybench.corpora.manifest import Manifest
from keybench.corpora.readers.reading import ChromaFrames, LabelSpan, Reading
from keybench.corpora.sources import Document, Facts, source
from keybench.errors import CorpusMissingError, KeybenchError, NotesError
from keybench.key import NO_MODE, Key, truth_mask
from keybench.notes import NoteTable, Piece
from keybench.spans import SpanTable

_CHUNK = 32  # documents per unit of reading work
_SILENCE = Piece(np.zeros(0), np.zeros(0), np.zeros(0))
_NO_FRAMES = ChromaFrames(np.zeros(0), np.zeros((0, 12)), np.zeros((0, 12)))


@dataclass(frozen=True)
class _Read:
    """One document, read: its music or why there is none, its facts or why there are none."""

    reading: Reading | None
    facts: Facts | None
    music_lack: str = ""
    facts_lack: str = ""


def _read_chunk(format_: str, documents: list[Document]) -> list[_Read]:
    reader = source(format_)
    out = []
    for document in documents:
        reading, facts, music_lack, facts_lack = None, None, "", ""
        try:
            reading = reader.read_notes(document)
            NoteTable.from_pieces([reading.notes])  # whatever a file holds, only sound notes go on
            if len(reading.notes.duration) and not np.any(reading.notes.duration):
                raise NotesError("no note has a length; accepted: at least one that has")
        except NotesError as error:
            reading, music_lack = None, str(error).removeprefix("piece 0: ")
        except KeybenchError as error:
            music_lack = str(error)
        try:
            facts = reader.read_facts(document, reading)
        except KeybenchError as error:
            facts_lack = str(error)
        out.append(_Read(reading, facts, music_lack, facts_lack))
    return out


def read_files(
    manifest: Manifest,
    files: Mapping[str, bytes],
    companions: Mapping[str, bytes] | None = None,
    n_jobs: int = 1,
    progress: Callable[[int], None] = lambda n: None,
) -> Corpus:
    """Read a corpus from the contents of its files.

    Parameters
    ----------
    manifest : Manifest
    files, companions : dict of str to bytes
        Content by path, of the origin and of its companion.
    n_jobs : int
        Processes to read with.
    progress : callable
        Called with the number of pieces that were read since the last call.

    Returns
    -------
    Corpus

    Raises
    ------
    CorpusMissingError
        If the format needs a package that is not installed.
    """
    reader = source(manifest.format)
    if reader.NEEDS and importlib.util.find_spec(reader.NEEDS) is None:
        raise CorpusMissingError(
            f"corpus {manifest.id!r}: its format needs the package {reader.NEEDS}; install it with: "
            "pip install 'keybench[corpora]'"
        )
    documents, without = reader.documents(manifest, files, companions or {})
    chunks = [documents[i : i + _CHUNK] for i in range(0, len(documents), _CHUNK)]
    read: list[_Read] = []
    workers = Parallel(n_jobs=n_jobs if len(chunks) > 4 else 1, return_as="generator")
    for part in workers(delayed(_read_chunk)(manifest.format, chunk) for chunk in chunks):
        read += part
        progress(len(part))

    prefix = f"{manifest.id}:"
    problems = [Problem(prefix + name, f"{prefix}{name}: {reason}", LEFT_OUT) for name, reason in without]
    rows: list[_Row] = []
    for document, result in zip(documents, read, strict=True):
        name = prefix + document.piece
        where = f"{name} ({document.file})" if document.file else name
        facts = result.facts
        if facts is None or facts.label is None:
            reason = result.facts_lack or (facts.remark if facts else "")
            problems.append(Problem(name, f"{where}: {reason}", LEFT_OUT))
            continue
        if facts.remark:
            problems.append(Problem(name, f"{where}: {facts.remark}", REMARK))
        if result.reading is None:
            problems.append(Problem(name, f"{where}: {result.music_lack}", UNREADABLE))
        rows.append(_row(manifest, name, result.reading or Reading(_SILENCE), facts))
    return Corpus(
        id=manifest.id,
        manifest_hash=manifest_hash(manifest),
        content_hash=files_hash(files, companions or {}),
        notes=NoteTable.from_pieces([row.notes for row in rows], reader.UNIT),
        pieces=np.array([row.name for row in rows], dtype=np.str_),
        truth=truth_mask(row.accepted for row in rows),
        tonic=np.array([row.tonic for row in rows], dtype=np.int64),
        mode=np.array([row.mode for row in rows], dtype=np.int64),
        spans=SpanTable.from_spans(row.spans for row in rows),
        chroma=_chroma([row.frames for row in rows]),
        variant_keys=[row.variant_keys for row in rows],
        strata=[row.strata for row in rows],
        problems=problems,
        missing=[],
        corpus=np.full(len(rows), manifest.id),
    )


@dataclass(frozen=True)
class _Row:
    name: str
    notes: Piece
    frames: ChromaFrames | None
    tonic: int
    mode: int
    accepted: list[Key]
    spans: list[tuple[float, float, int, int]]
    variant_keys: tuple[str, ...]
    strata: tuple[str, ...]


def _row(manifest: Manifest, name: str, reading: Reading, facts: Facts) -> _Row:
    """Apply the label policy, the grouping and the transposition that the manifest states."""
    label = facts.label
    assert label is not None  # the caller leaves out pieces without one
    mode = NO_MODE if manifest.label_space == "tonic" else label.mode
    shift = random_shift(name) if manifest.transpose == "random" else 0
    accepted = list(facts.accepted) or manifest.accepted_keys(label.tonic, mode)
    keys = {
        "title": [title_key(title) for title in facts.related.get("title", ())],
        "opening": [opening_key(reading.notes, label.tonic)],
        "piece": [f"piece:{name}"],
        **{kind: [f"{kind}:{value}" for value in facts.related.get(kind, ())] for kind in ("work", "composer")},
    }
    return _Row(
        name=name,
        notes=_moved(reading.notes, shift),
        frames=_moved_frames(reading.chroma, shift),
        tonic=(label.tonic + shift) % 12,
        mode=mode,
        accepted=[key.transpose(shift) for key in accepted],
        spans=[_span(span, shift) for span in facts.spans if span.end > span.start],
        variant_keys=tuple(key for kind in manifest.group_by for key in keys[kind] if key),
        strata=facts.strata,
    )


def random_shift(name: str) -> int:
    """Return the semitones, -5 to 6, by which a piece is shown moved: drawn from its id, so the same everywhere."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big") % 12 - 5


def _moved(piece: Piece, shift: int) -> Piece:
    return Piece(piece.onset, piece.duration, np.asarray(piece.pitch) + shift, piece.part, piece.accent)


def _moved_frames(frames: ChromaFrames | None, shift: int) -> ChromaFrames | None:
    if frames is None or not shift:
        return frames
    return ChromaFrames(frames.time, np.roll(frames.bass, shift, axis=1), np.roll(frames.treble, shift, axis=1))


def _span(span: LabelSpan, shift: int) -> tuple[float, float, int, int]:
    return span.start, span.end, (span.tonic + shift) % 12, NO_MODE if span.mode is None else span.mode


def _chroma(frames: list[ChromaFrames | None]) -> ChromaTable | None:
    if not any(frames):
        return None
    present = [frame or _NO_FRAMES for frame in frames]
    return ChromaTable.from_frames((frame.time, frame.bass, frame.treble) for frame in present)


def manifest_hash(manifest: Manifest) -> str:
    """Return a hash of everything that a manifest states."""
    return cache.content_hash([("manifest", repr(manifest).encode())])


def files_hash(files: Mapping[str, bytes], companions: Mapping[str, bytes]) -> str:
    """Return a hash of names and contents."""
    return cache.content_hash([*files.items(), *(("companion:" + name, data) for name, data in companions.items())])
