"""A columnar cache of what the readers made of a corpus, keyed by the content that they read.

One npz file per corpus state. The key is a hash of every file's name and content, of the readers' source and of the
manifest, so that a changed file or rule is a different cache and a stale one is never read. Files are written
beside their place and moved there, so that an interrupted run leaves no half-written cache.
"""

from __future__ import annotations

import contextlib
import hashlib
import zipfile
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from keybench.files import write_atomically
from keybench.resources import cache_folder


def content_hash(files: Iterable[tuple[str, bytes]]) -> str:
    """Return the SHA-256 over names and contents, in the order given."""
    digest = hashlib.sha256()
    for name, data in files:
        digest.update(f"{name}\0{len(data)}\0".encode())
        digest.update(data)
    return digest.hexdigest()


def path_for(corpus: str, *parts: str) -> Path:
    """Return where the cache for a corpus in a certain state stands."""
    state = hashlib.sha256("\0".join(parts).encode()).hexdigest()[:20]
    return cache_folder() / "corpora" / f"{corpus}-{state}.npz"


def read(path: Path) -> dict[str, npt.NDArray] | None:
    """Return the cached arrays, or None if there is no cache or it is damaged (it is then made again)."""
    try:
        with np.load(path, allow_pickle=False) as file:
            return {name: file[name] for name in file.files}
    except FileNotFoundError:
        return None
    except (OSError, ValueError, EOFError, KeyError, zipfile.BadZipFile):
        return None


def write(path: Path, arrays: dict[str, npt.NDArray]) -> None:
    """Write arrays so that the file is either whole or not there; a cache that cannot be written is left out."""
    with contextlib.suppress(OSError):
        write_atomically(path, lambda temporary: np.savez(temporary, **arrays))  # type: ignore[arg-type]
