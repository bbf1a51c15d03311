"""Loading a corpus: from the cache if its files, its manifest and the readers are unchanged, else from its files."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache as remember
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import numpy as np
import numpy.typing as npt

from keybench.chroma import ChromaTable
from keybench.corpora import cache
from keybench.corpora.assemble import files_hash, manifest_hash, read_files
from keybench.corpora.audits import with_audit
from keybench.corpora.corpus import LEFT_OUT, Corpus, Problem
from keybench.corpora.locate import locate, missing_files, read_file
from keybench.corpora.manifest import Manifest, Origin, read_manifest
from keybench.key import N_KEYS
from keybench.notes import NoteTable
from keybench.spans import SpanTable

_READING_PACKAGES = ("symusic", "partitura", "pyreadr", "pandas", "numpy")


def load(name: str, n_jobs: int = 1, progress: Callable[[int], None] = lambda n: None, audited: bool = True) -> Corpus:
    """Load a corpus, from the cache if nothing changed.

    Parameters
    ----------
    name : str
        Id of a shipped manifest, or the path of a manifest file.
    n_jobs : int
        Processes to read with where nothing is cached.
    progress : callable
        Called with the number of pieces that were read since the last call.
    audited : bool
        Add the strata of a stored label audit.

    Returns
    -------
    Corpus

    Raises
    ------
    ManifestError, CorpusMissingError
    """
    manifest = read_manifest(name)
    files, unreadable, missing = _contents(manifest, manifest.origin)
    companions: dict[str, bytes] = {}
    if manifest.companion is not None:
        companions, more, absent = _contents(manifest, manifest.companion)
        unreadable, missing = unreadable + more, missing + absent
    content, state = files_hash(files, companions), manifest_hash(manifest)
    path = cache.path_for(manifest.id, content, state, _code_hash())
    arrays = None if unreadable else cache.read(path)
    cached = None if arrays is None else _unpack(manifest.id, state, content, arrays)
    if cached is not None:
        progress(len(cached))
        found = replace(cached, missing=missing)
        return with_audit(found, manifest) if audited else found
    corpus = read_files(manifest, files, companions, n_jobs, progress)
    if unreadable:  # not cached: the next time they may be readable
        return replace(corpus, problems=corpus.problems + unreadable, missing=missing)
    cache.write(path, _pack(corpus))
    found = replace(corpus, missing=missing)
    return with_audit(found, manifest) if audited else found


def _contents(manifest: Manifest, origin: Origin) -> tuple[dict[str, bytes], list[Problem], list[str]]:
    """Return content by path, the files that cannot be read, and those that are listed and not here."""
    if origin.kind == "generated":
        return {}, [], []
    located = locate(manifest, origin)
    files, unreadable = {}, []
    for path in located.paths:
        if not path.isprintable():  # not UTF-8, or with control characters: no report could show it
            where = f"{manifest.id}:{path!a}"
            unreadable.append(Problem(where, f"{where}: a file name that cannot be shown; rename the file", LEFT_OUT))
            continue
        try:
            files[path] = read_file(located.root / path)
        except OSError as error:
            where = f"{manifest.id}:{path}"
            reason = f"{where}: cannot be read ({error.strerror}); accepted: readable files of ordinary size"
            unreadable.append(Problem(where, reason, LEFT_OUT))
    return files, unreadable, missing_files(manifest, origin, located)


@remember
def _code_hash() -> str:
    """Return a hash of all code that decides what is cached, ours and the libraries': no change reads an old cache."""
    package = Path(__file__).resolve().parent
    above = [package.parent / name for name in ("key.py", "notes.py", "spans.py", "chroma.py", "columns.py")]
    sources = [*sorted(package.rglob("*.py")), *above]
    return cache.content_hash(
        [*((source.name, source.read_bytes()) for source in sources),
         *((name, _version(name).encode()) for name in _READING_PACKAGES)]
    )  # fmt: skip


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return ""


_COMPACT = {"part": np.int32, "accent": np.int8}  # pitch stays exact: it may be any fraction


def _pack(corpus: Corpus) -> dict[str, npt.NDArray]:
    tables = {"notes": corpus.notes, "spans": corpus.spans, "chroma": corpus.chroma}
    arrays = {
        f"{table}.{name}": column.astype(_COMPACT.get(name, column.dtype))
        for table, columns in tables.items()
        if columns is not None
        for name, column in (columns.columns() | {"offsets": columns.offsets}).items()
    }
    lists = {
        "variant_keys": corpus.variant_keys,
        "strata": corpus.strata,
        "problems": [vars(problem) for problem in corpus.problems],
    }
    return {
        **arrays,
        "unit": np.array(corpus.notes.unit),
        "pieces": corpus.pieces,
        "truth": np.packbits(corpus.truth, axis=1),
        "tonic": corpus.tonic,
        "mode": corpus.mode,
        **{name: np.array(json.dumps(content)) for name, content in lists.items()},
    }


def _unpack(name: str, state: str, content: str, arrays: dict[str, npt.NDArray]) -> Corpus | None:
    """Return the cached corpus, or None if the arrays are not what `_pack` writes."""
    try:
        n = len(arrays["pieces"])
        parts: dict[str, dict[str, npt.NDArray]] = {"notes": {}, "spans": {}, "chroma": {}}
        for key, array in arrays.items():
            table, _, column = key.partition(".")
            if column:
                parts[table][column] = array
        variant_keys, strata, problems = (
            json.loads(str(arrays[key])) for key in ("variant_keys", "strata", "problems")
        )
        lengths = {len(arrays[key]) for key in ("truth", "tonic", "mode")} | {len(variant_keys), len(strata)}
        if lengths != {n} or not all(_whole(columns, n) for columns in parts.values() if columns):
            return None
        notes = parts["notes"]
        wide = {"pitch": notes["pitch"].astype(float), "part": notes["part"].astype(np.int64),
                "accent": notes["accent"].astype(np.int64)}  # fmt: skip
        return Corpus(
            id=name,
            manifest_hash=state,
            content_hash=content,
            notes=NoteTable(**{**notes, **wide}, unit=str(arrays["unit"])),
            pieces=arrays["pieces"],
            truth=np.unpackbits(arrays["truth"], axis=1, count=N_KEYS).astype(bool),
            tonic=arrays["tonic"],
            mode=arrays["mode"],
            spans=SpanTable(**parts["spans"]),
            chroma=ChromaTable(**parts["chroma"]) if parts["chroma"] else None,
            variant_keys=[tuple(keys) for keys in variant_keys],
            strata=[tuple(kinds) for kinds in strata],
            problems=[Problem(**problem) for problem in problems],
            missing=[],
            corpus=np.full(n, name),
        )
    except (KeyError, ValueError, TypeError, IndexError):
        return None


def _whole(columns: dict[str, npt.NDArray], n: int) -> bool:
    """Say whether the columns of a table fit together."""
    offsets = columns["offsets"]
    rows = {len(column) for name, column in columns.items() if name != "offsets"}
    return bool(
        offsets.shape == (n + 1,)
        and (np.diff(offsets) >= 0).all()
        and offsets[0] == 0
        and rows == {int(offsets[-1])}
        and all(np.isfinite(column).all() for column in columns.values())
    )
