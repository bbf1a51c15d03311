"""Unpacking archives from elsewhere, so that nothing is written outside the target whatever the archive says.

Only plain files and folders are ever made, by this module and not by the archive libraries: a symbolic or hard link to
a file of the archive becomes a copy of that file, owners and permissions are left behind, and everything goes into a
folder beside the target that takes its name at the very end. What is refused: names that lead out, links that lead out,
in circles or to a folder, devices and pipes, the same name twice, more bytes or files than stated, encryption, and
archives that are damaged or end too early.
"""

from __future__ import annotations

import bz2
import gzip
import lzma
import os
import posixpath
import shutil
import stat
import tarfile
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from keybench.corpora.hashes import path_fault
from keybench.errors import FetchError

MAX_BYTES = 4 * 2**30
"""Default limit for what an archive may unpack to."""

_MAX_FILES = 500_000
_MAX_LINKS_IN_A_ROW = 40  # as many as Linux follows
_MAX_HEADER_BYTES = 8 * 2**20  # tarfile reads a long name or an extended header in one piece
_MAX_OVERHEAD_BYTES = 2**30  # of a tar file beside the contents: headers, padding, what follows the end mark
_CHUNK = 2**20
_BLOCK = tarfile.BLOCKSIZE
_ZIP_STARTS = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")  # a first file; none; the first part of several
_COMPRESSED: dict[bytes, Callable[..., Any]] = {b"\x1f\x8b": gzip.open, b"BZh": bz2.open, b"\xfd7zXZ\0": lzma.open}
_LIBRARY_ERRORS = (
    tarfile.TarError,
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    RuntimeError,  # also NotImplementedError: a compression that zipfile does not know
    ValueError,
    OverflowError,
)


def unpack(path: Path, target: Path, max_bytes: int = MAX_BYTES) -> None:
    """Unpack a zip or tar archive (plain, gzip, bzip2 or xz) into a new folder.

    The format is told from the content, not from the name. On any error nothing is left of the target.

    Parameters
    ----------
    path : Path
        The archive.
    target : Path
        Must not exist.
    max_bytes : int
        Most bytes that may be unpacked; links count as copies.

    Raises
    ------
    FetchError
        If the archive is refused, damaged or too short, or the target exists or cannot be written.
    """
    if os.path.lexists(target):
        raise FetchError(f"{target} exists already; move it away to unpack {path.name} there")
    folder = target.with_name(f".{target.name}.keybench-unpacking")
    shutil.rmtree(folder, ignore_errors=True)  # of an earlier process that was killed
    try:
        folder.mkdir(parents=True)
        _Unpacking(path.name, folder, max_bytes).run(path)
        os.replace(folder, target)
    except FetchError:
        raise
    except _LIBRARY_ERRORS as error:
        reason = str(error).split("\n")[0][:200] or type(error).__name__
        raise FetchError(f"{path.name}: the archive is damaged or ends too early ({reason})") from None
    except OSError as error:
        # Of the decompressors gzip and bzip2 say "damaged" by an OSError without a number.
        if error.errno is None:
            raise FetchError(f"{path.name}: the archive is damaged ({error})") from None
        raise FetchError(f"{path.name}: cannot be unpacked into {target} ({error.strerror})") from None
    finally:
        shutil.rmtree(folder, ignore_errors=True)


class _Unpacking:
    """One archive on its way into one folder; keeps count of what has been written."""

    def __init__(self, archive: str, folder: Path, max_bytes: int):
        self.archive = archive
        self.folder = folder
        self.max_bytes = max_bytes
        self.n_bytes = 0
        self.files: set[str] = set()
        self.folders: set[str] = {""}
        self.links: dict[str, str] = {}

    def run(self, path: Path) -> None:
        """Unpack it."""
        with open(path, "rb") as file:
            start = file.read(6)
        if start[:4] in _ZIP_STARTS:
            with zipfile.ZipFile(path) as zipped:
                self._zip(zipped)
        else:
            opener = next((opener for magic, opener in _COMPRESSED.items() if start.startswith(magic)), open)
            with opener(path, "rb") as stream:
                self._tar(stream, is_plain=opener is open)
        self._copy_links()

    def refuse(self, name: str, reason: str) -> FetchError:
        """Return the error about one name in the archive."""
        return FetchError(f"{self.archive}: {name[:80]!r} is refused: {reason}")

    def _zip(self, zipped: zipfile.ZipFile) -> None:
        for info in zipped.infolist():
            # orig_filename: zipfile cuts names at a NUL and turns the backslashes of Windows into slashes.
            name = self._clean(info.orig_filename)
            kind = stat.S_IFMT(info.external_attr >> 16)
            if info.flag_bits & 1:
                raise self.refuse(name, "it is encrypted")
            if kind == stat.S_IFLNK:
                if info.file_size > _CHUNK:
                    raise self.refuse(name, "a link with a target too long for a name")
                target = os.fsdecode(zipped.read(info))
                self._note_link(name, posixpath.join(posixpath.dirname(name), target), target)
            elif kind not in (0, stat.S_IFREG, stat.S_IFDIR):
                raise self.refuse(name, "neither a file nor a folder")
            elif kind == stat.S_IFDIR or info.orig_filename.endswith("/"):
                self._make_folder(name)
            else:
                self._claim(name, info.file_size)
                with zipped.open(info) as content:
                    self._write(name, content)

    def _tar(self, raw: IO[bytes], is_plain: bool) -> None:
        stream = _TarStream(raw, self)
        try:
            archive = tarfile.TarFile(fileobj=stream, encoding="utf-8", errors="surrogateescape")  # type: ignore[arg-type]
        except tarfile.ReadError:
            if is_plain:
                raise FetchError(
                    f"{self.archive}: not an archive; accepted: zip, tar, tar.gz, tar.bz2, tar.xz"
                ) from None
            raise
        while (member := archive.next()) is not None:
            name = self._clean(member.name)
            if member.size < 0:
                raise self.refuse(name, "a negative size")
            if member.isdir():
                self._make_folder(name)
            elif member.issym():
                self._note_link(name, posixpath.join(posixpath.dirname(name), member.linkname), member.linkname)
            elif member.islnk():
                self._note_link(name, member.linkname, member.linkname)
            elif member.isreg():
                self._claim(name, member.size)
                content = archive.extractfile(member)
                assert content is not None  # only for links and devices
                with content:
                    self._write(name, content)
            else:
                raise self.refuse(name, "neither a file nor a folder")
        stream.finish()

    def _clean(self, name: str) -> str:
        """Return a name as a path below the folder, empty for the folder itself."""
        path = name.rstrip("/") if not name.startswith("/") else name
        while path.startswith("./"):
            path = path[2:].lstrip("/")
        if path == ".":
            return ""
        if fault := path_fault(path):
            raise self.refuse(name, fault)
        if path.split("/")[0].lower() == ".git":
            raise self.refuse(name, "it would set up a repository")
        return path

    def _claim(self, name: str, size: int) -> None:
        """Make room for a file: see that nothing has its name, count its bytes, make the folders above it."""
        if name in self.files or name in self.folders or name in self.links:
            raise self.refuse(name, "the archive holds this name twice")
        self.n_bytes += size
        if self.n_bytes > self.max_bytes:
            raise FetchError(
                f"{self.archive}: unpacks to more than {self.max_bytes:,} bytes; accepted: at most that many"
            )
        self._make_folder(posixpath.dirname(name))
        self._check_number()

    def _check_number(self) -> None:
        if len(self.files) + len(self.folders) + len(self.links) > _MAX_FILES:
            raise FetchError(f"{self.archive}: holds too many files and folders; accepted: at most {_MAX_FILES:,}")

    def _make_folder(self, name: str) -> None:
        if name in self.folders:
            return
        if name in self.files or name in self.links:
            raise self.refuse(name, "it is a folder and something else")
        self._make_folder(posixpath.dirname(name))
        self._check_number()
        (self.folder / name).mkdir()
        self.folders.add(name)

    def _write(self, name: str, content: IO[bytes]) -> None:
        """Write a file that was claimed; the libraries hand out no more bytes than the size that they stated."""
        self.files.add(name)
        with open(self.folder / name, "xb") as file:
            shutil.copyfileobj(content, file, _CHUNK)

    def _note_link(self, name: str, target: str, written: str) -> None:
        """Keep a link for later: what it leads to may come after it in the archive."""
        if "\0" in written or "\\" in written or written.startswith("/"):
            raise self.refuse(name, f"a link to {written[:80]!r}, which is not a path inside the archive")
        self._claim(name, 0)
        self.links[name] = target

    def _copy_links(self) -> None:
        links, self.links = self.links, {}
        sources = {name: self._follow(name, target, links) for name, target in links.items()}
        for name, source in sources.items():
            path = self.folder / source
            self._claim(name, path.stat().st_size)
            with open(path, "rb") as content:
                self._write(name, content)

    def _follow(self, name: str, target: str, links: dict[str, str]) -> str:
        """Return the file that a link leads to, step by step: ``a/..`` is not where it was if ``a`` is a link."""
        steps = target.split("/")[::-1]
        place: list[str] = []
        n_links = 0
        while steps:
            step = steps.pop()
            if step in ("", "."):
                continue
            if step == "..":
                if not place:
                    raise self.refuse(name, f"a link to {target[:80]!r}, which leaves its folder")
                place.pop()
                continue
            place.append(step)
            here = "/".join(place)
            if here in links:
                n_links += 1
                if n_links > _MAX_LINKS_IN_A_ROW:
                    raise self.refuse(name, "a link that leads in a circle")
                place = []
                steps += links[here].split("/")[::-1]
        path = "/".join(place)
        if path in self.folders:
            raise self.refuse(name, "a link to a folder; accepted: links to files")
        if path not in self.files:
            raise self.refuse(name, f"a link to {target[:80]!r}, which the archive does not hold")
        return path


class _TarStream:
    """A tar file, decompressed, read forwards only.

    Stands between the decompressor and tarfile, which would silently take a header that it cannot read, or the end of
    the file, for the end of the archive.

    Parameters
    ----------
    raw : binary file
    unpacking : _Unpacking
        Knows how many of the bytes belong to files.
    """

    def __init__(self, raw: IO[bytes], unpacking: _Unpacking):
        self._raw = raw
        self._unpacking = unpacking
        self._position = 0
        self._last = b""

    def tell(self) -> int:
        """Return the position in the decompressed archive."""
        return self._position

    def read(self, size: int) -> bytes:
        """Read up to `size` bytes."""
        if not 0 <= size <= _MAX_HEADER_BYTES:
            raise tarfile.ReadError(f"a header of {size:,} bytes")
        self._last = self._raw.read(size)
        self._position += len(self._last)
        if self._position - self._unpacking.n_bytes > _MAX_OVERHEAD_BYTES:
            raise tarfile.ReadError(f"more than {_MAX_OVERHEAD_BYTES:,} bytes that belong to no file")
        return self._last

    def seek(self, position: int) -> None:
        """Go forwards."""
        while self._position < position and self.read(min(_CHUNK, position - self._position)):
            pass

    def finish(self) -> None:
        """See that an empty block ended the archive, and read on to the end: compressed files close with a checksum."""
        if self._last != bytes(_BLOCK):
            raise tarfile.ReadError("no end mark where the last file ends")
        while self.read(_CHUNK):
            pass
