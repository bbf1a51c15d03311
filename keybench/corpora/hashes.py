"""Hashes of files, and lists of them as ``sha256sum`` of GNU coreutils writes and checks them.

A line is 64 hexadecimal digits, a space, a space or a star, and a path; see "sha2 utilities" in the coreutils manual.
Paths are relative, with forward slashes, so that one list serves every system.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path

from keybench.errors import ManifestError
from keybench.files import write_atomically

_LINE = re.compile(r"([0-9A-Fa-f]{64}) [ *](.+)")
_DRIVE = re.compile(r"[A-Za-z]:")
_MAX_PATH_CHARS = 1024
_MAX_LIST_BYTES = 64 * 2**20  # about half a million files
_CHUNK = 2**20


def path_fault(path: str) -> str:
    """Say why a path may not be used inside a corpus; empty if it may.

    Parameters
    ----------
    path : str
        As a hash list, a manifest or an archive names it.

    Returns
    -------
    str
        A few words for the end of a sentence about the path.
    """
    if not path:
        return "it is empty"
    if len(path) > _MAX_PATH_CHARS:
        return f"it has {len(path):,} characters, more than {_MAX_PATH_CHARS:,}"
    if path.startswith("/") or _DRIVE.match(path):
        return "it is not relative"
    if "\\" in path:
        return "it holds a backslash"
    if any(ord(character) < 32 or ord(character) == 127 for character in path):
        return "it holds a control character"
    parts = path.split("/")
    if ".." in parts:
        return "it leaves its folder (..)"
    if "." in parts or "" in parts:
        return "it holds an empty step (. or //)"
    try:
        path.encode()
    except UnicodeEncodeError:
        return "it is not UTF-8"
    return ""


def hash_bytes(data: bytes) -> str:
    """Return the SHA-256 of bytes, in 64 small hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file, read piece by piece, in 64 small hexadecimal digits.

    Raises
    ------
    OSError
        If the file cannot be read; `keybench.corpora.verify.verify_files` turns that into a state.
    """
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        while data := file.read(_CHUNK):
            digest.update(data)
    return digest.hexdigest()


def read_hashes(path: Path) -> dict[str, str]:
    """Read a list of hashes.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict of str to str
        Hash by path, in the order of the list.

    Raises
    ------
    ManifestError
        If the list cannot be read, is empty or too long, or a line is malformed, names a path that is absolute or
        leaves the folder, or names a path for the second time.
    """
    try:
        size = path.stat().st_size
        if size > _MAX_LIST_BYTES:
            raise ManifestError(f"{path}: a list of {size:,} bytes; accepted: at most {_MAX_LIST_BYTES:,}")
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ManifestError(f"{path}: no such file") from None
    except OSError as error:
        raise ManifestError(f"{path}: cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise ManifestError(f"{path}: not UTF-8 text; accepted: lines as sha256sum writes them") from None
    hashes: dict[str, str] = {}
    for number, line in enumerate(text.removesuffix("\n").split("\n"), 1):
        match = _LINE.fullmatch(line)
        if match is None:
            raise ManifestError(
                f"{path}, line {number}: {line[:80]!r} is not a hash and a path; "
                "accepted: lines as sha256sum writes them"
            )
        digest, name = match[1].lower(), match[2]
        if fault := path_fault(name):
            raise ManifestError(f"{path}, line {number}: the path {name[:80]!r} is not accepted: {fault}")
        if name in hashes:
            raise ManifestError(f"{path}, line {number}: {name!r} is listed twice; accepted: each path once")
        hashes[name] = digest
    return hashes


def write_hashes(path: Path, hashes: Mapping[str, str]) -> None:
    """Write a list of hashes, sorted by path, that `read_hashes` and ``sha256sum --check`` read.

    Parameters
    ----------
    path : Path
    hashes : mapping of str to str
        Hash by relative path, with forward slashes.

    Raises
    ------
    ManifestError
        If there are none, or a path or a hash is not accepted.
    """
    if not hashes:
        raise ManifestError(f"{path}: no hashes to write; accepted: one file or more")
    for name, digest in hashes.items():
        if fault := path_fault(name):
            raise ManifestError(f"{path}: the path {name[:80]!r} is not accepted: {fault}")
        if not re.fullmatch(r"[0-9a-f]{64}", digest):
            raise ManifestError(f"{path}: {digest[:80]!r} is not a SHA-256; accepted: 64 small hexadecimal digits")
    text = "".join(f"{digest}  {name}\n" for name, digest in sorted(hashes.items()))
    write_atomically(path, lambda temporary: temporary.write_bytes(text.encode()))
