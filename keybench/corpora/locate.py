"""Finding the files of a corpus on this machine; three kinds of "not there" are kept apart.

A corpus whose folder is absent is not on this machine; a file that its hash list names and the folder lacks is missing;
a file that cannot be opened is unreadable.
"""

from __future__ import annotations

import importlib.metadata
import importlib.util
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from keybench.corpora.hashes import read_hashes
from keybench.corpora.manifest import Manifest, Origin
from keybench.errors import CorpusMissingError, ManifestError
from keybench.resources import data_folder

MAX_FILE_BYTES = 64 * 2**20
"""Larger files are not opened: no piece of music in these formats comes near."""


@dataclass(frozen=True)
class Located:
    """Files of one origin.

    Parameters
    ----------
    root : Path
        The folder that the paths are relative to.
    paths : list of str
        With forward slashes, sorted.
    """

    root: Path
    paths: list[str]


def origin_root(manifest: Manifest, origin: Origin) -> Path:
    """Return where the files of an origin are, or would be.

    A package is found on disk and never imported.

    Raises
    ------
    CorpusMissingError
        If the package is not installed.
    ManifestError
        If the folder of a reader's own manifest lies outside the manifest's folder.
    """
    if origin.kind == "folder":
        root = (manifest.base / origin.folder).resolve()
        if not root.is_relative_to(manifest.base):  # by a symbolic link
            raise ManifestError(
                f"corpus {manifest.id!r}: folder {origin.folder!r} leads outside the manifest's folder; "
                "accepted: a folder below it"
            )
        return root
    if origin.kind != "package":
        return data_folder() / origin.folder
    try:
        spec = importlib.util.find_spec(origin.package)
    except (ImportError, ValueError):  # part of an absent package, or no package at all
        spec = None
    if spec is None or spec.origin is None:
        raise CorpusMissingError(
            f"corpus {manifest.id!r} is not on this machine: its files travel inside the package {origin.package}; "
            f"install it with: {origin.install}"
        )
    return Path(spec.origin).parent / origin.folder


def locate(manifest: Manifest, origin: Origin) -> Located:
    """Return the files of an origin that are on this machine.

    Raises
    ------
    CorpusMissingError
        If there is none; the message says how to get them.
    ManifestError
    """
    root = origin_root(manifest, origin)
    paths = sorted({found for pattern in origin.files for found in _glob(root, pattern)})
    if not paths:
        raise CorpusMissingError(f"corpus {manifest.id!r}: {root} {_lack(root, origin)}; {advice(manifest, origin)}")
    return Located(root, paths)


def _glob(root: Path, pattern: str) -> list[str]:
    try:
        return [path.relative_to(root).as_posix() for path in root.glob(pattern)]
    except (OSError, ValueError, IndexError, NotImplementedError) as error:  # IndexError: "." before Python 3.12
        raise ManifestError(f"pattern {pattern!r} cannot be used ({error}); accepted: such as *.abc") from None


def _lack(root: Path, origin: Origin) -> str:
    return f"holds no {' or '.join(origin.files)}" if root.is_dir() else "is not there"


def advice(manifest: Manifest, origin: Origin) -> str:
    """Say how to get the files of an origin."""
    if origin.kind == "folder":
        return "put its files there"
    if origin.kind == "package":
        return f"install it again with: {origin.install} (checked against {origin.package} {origin.version})"
    return f"bring it with: keybench corpora fetch {manifest.name} (or set KEYBENCH_DATA to a folder that holds it)"


def known_hashes(manifest: Manifest, origin: Origin) -> dict[str, str]:
    """Return SHA-256 by path, as listed beside the manifest; empty where there is no list.

    Raises
    ------
    ManifestError
        If the list is absent or malformed.
    """
    return read_hashes(manifest.base / origin.hashes) if origin.hashes else {}


def missing_files(manifest: Manifest, origin: Origin, located: Located) -> list[str]:
    """Return the listed files that are not here, compressed or plain; empty where there is no list."""
    here = {path.removesuffix(".gz") for path in located.paths}
    return sorted(path for path in known_hashes(manifest, origin) if path.removesuffix(".gz") not in here)


def installed_version(origin: Origin) -> str:
    """Return the version of the package that is installed; empty for other origins."""
    if origin.kind != "package":
        return ""
    try:
        return importlib.metadata.version(origin.package)
    except importlib.metadata.PackageNotFoundError:
        return "unknown"


def read_file(path: Path) -> bytes:
    """Read a file of ordinary size.

    Raises
    ------
    OSError
        If it cannot be read, or is too large to be a piece of music.
    """
    state = os.stat(path)
    if not stat.S_ISREG(state.st_mode):  # to open a pipe would be to wait for ever
        raise OSError(0, "it is not an ordinary file")
    size = state.st_size
    if size > MAX_FILE_BYTES:
        raise OSError(0, f"it has {size:,} bytes, more than {MAX_FILE_BYTES:,}")
    return path.read_bytes()
