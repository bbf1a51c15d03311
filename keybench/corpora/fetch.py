"""Bringing a corpus to this machine: folders of a git repository at one commit, or one file with a known hash.

Whatever arrives is checked against the name that was asked for, a commit or a SHA-256, before it gets its place, and
takes that place in one step: an interrupted fetch leaves a target that is whole or absent. What had arrived stays under
a name beside the target (``.NAME.keybench-partial`` for git, ``NAME.part`` for a download) and the next fetch goes on
from there. A target that exists is never overwritten.

Downloads use the standard library rather than pooch: measured with pooch 1.9.0, a download that breaks off is begun
again from its first byte (`tests/unit/test_fetch.py` keeps the measurement).
"""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import os
import re
import shutil
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from http import HTTPStatus
from pathlib import Path
from typing import IO, Any

from keybench.corpora import archive
from keybench.corpora.hashes import hash_file
from keybench.corpora.verify import (
    PRESENT,
    TreeFile,
    check_commit,
    check_folders,
    git_absent,
    git_command,
    git_environment,
    git_output,
    tree_files,
    verify_git,
)
from keybench.errors import FetchError

try:
    import fcntl
except ImportError:  # Windows: two fetches of the same corpus at once are not told from one
    fcntl = None  # type: ignore[assignment]

Progress = Callable[[int, int], None]
"""Called with what is done and what there is in all; the latter is 0 while it is not known."""

MAX_DOWNLOAD_BYTES = 4 * 2**30
"""Default limit for one download."""

_SECONDS_FOR_LOCK = 10.0  # a git whose parent was killed takes a moment to notice
_BLOBS_AT_ONCE = 1000  # what an interruption can cost; each request takes a second or so from a far server
_CHUNK = 2**18
_MARK = ".keybench-download"  # inside an unpacked download: the hash of the archive that it was made from

# The ways to ask for a commit, from the thinnest; a server that refuses one is asked in the next. The contents of files
# follow folder by folder where the server allows (partial clone), all at once otherwise. A server of the older
# protocol hands out only the tips of branches and tags, so that in the end all of the history must come.
_THIN: tuple[str, ...] = ("--depth=1", "--filter=blob:none")
_SHALLOW: tuple[str, ...] = ("--depth=1",)
_WHOLE: tuple[str, ...] = ()
_ALL_REFS = ("+refs/heads/*:refs/remotes/origin/*", "+refs/tags/*:refs/tags/*")

_REFUSAL = re.compile(r"unadvertised object|want \S+ not valid|not support shallow")
_COUNT = re.compile(r"(?:Receiving|Unpacking) objects:\s+\d+% \((\d+)/(\d+)\)")
_CHATTER = re.compile(r"remote: (Enumerating|Counting|Compressing|Total)|hint:|warning:|From |[A-Z][a-z]+ \w+:\s+\d+%")
# Nothing of these may be converted on checkout, whatever the repository's own attributes say.
_ATTRIBUTES = "* -text -eol -ident -filter -working-tree-encoding\n"


class _RefusedError(FetchError):
    """The server does not serve a request of this kind; another may do."""


def _silent(done: int, total: int) -> None:
    pass


def fetch_git(repository: str, commit: str, folders: Sequence[str], target: Path, progress: Progress = _silent) -> None:
    """Bring folders of a git repository, as they were at one commit.

    No more is asked for than the server lets one ask: one commit, and of it the contents of the folders only. Files
    are written byte for byte as the commit has them; symbolic links become plain files that hold the name of their
    target; submodules are left out; hooks do not run; nobody is asked for a password. Needs git 2.29 or newer.

    Parameters
    ----------
    repository : str
        An address that git knows, or a path.
    commit : str
        40 hexadecimal digits.
    folders : sequence of str
        Folders or files inside the repository, with forward slashes; all of it if there are none.
    target : Path
        Must not exist, or be an empty folder, or be what a fetch of the same would make (then nothing is done).
    progress : callable
        Called with the git objects that are done and that there are in this step. An exception that it raises ends
        the fetch.

    Raises
    ------
    FetchError
        If git is absent, the repository cannot be reached or lacks the commit or a folder, the target is something
        else, or cannot be written.
    """
    commit = check_commit(commit)
    check_folders(folders)
    with _writing(target):
        address = _address(repository)
        if _is_occupied(target):
            _check_existing(target, repository, commit, folders)
            return
        partial = target.with_name(f".{target.name}.keybench-partial")
        partial.mkdir(parents=True, exist_ok=True)
        with _sole_use(partial) as lock:
            git = _Git(partial, repository, lock)
            _fetch_commit(git, address, commit, folders, progress)
            files = tree_files(git.repository, commit, folders)
            _check_out(git, commit, folders)
            _check_against(partial, commit, folders)
            if target.is_dir():
                target.rmdir()  # empty; not every system moves one folder over another
            os.replace(partial, target)
    progress(len(files), len(files))


def full_commit(repository: str, beginning: str, progress: Progress = _silent) -> str:
    """Return the full name of the one commit of a repository whose name begins so.

    A server gives out commits by their full names only, so the names of all commits come here first, without contents
    where the server allows.

    Parameters
    ----------
    repository : str
        An address that git knows, or a path.
    beginning : str
        7 to 40 hexadecimal digits.
    progress : callable
        See `fetch_git`.

    Raises
    ------
    FetchError
        If the repository cannot be reached, or has no such commit, or several.
    """
    with tempfile.TemporaryDirectory(prefix="keybench-") as folder:
        git = _Git(Path(folder), repository, None)
        _begin(git, _address(repository))
        git.run("fetch", "--progress", "--filter=tree:0", "origin", *_ALL_REFS, network=True, progress=progress)
        name = git_output(git.repository, "rev-parse", "--verify", "--quiet", f"{beginning}^{{commit}}")
    if name is None or not name.decode().startswith(beginning):
        raise FetchError(f"{repository}: no commit, or more than one, has a name that begins with {beginning}")
    return name.decode().strip()


class _Git:
    """Git at work on the partial copy.

    Parameters
    ----------
    folder : Path
        The partial copy.
    name : str
        The repository, as messages call it.
    lock : int or None
        An open file that git shall hold open: what holds the lock stays locked until git has ended too.
    """

    def __init__(self, folder: Path, name: str, lock: int | None):
        self.folder = folder
        self.repository = folder / ".git"
        self.name = name
        self._lock = lock

    def run(
        self, *arguments: str, network: bool = False, progress: Progress = _silent, lines: Sequence[str] = ()
    ) -> None:
        """Run git; `lines` go to its standard input.

        Raises
        ------
        FetchError
            With git's own words if it fails; `_RefusedError` if the server declined.
        """
        with tempfile.TemporaryFile() as sent:
            sent.write("".join(f"{line}\n" for line in lines).encode())
            sent.seek(0)
            try:
                process = subprocess.Popen(
                    git_command(self.repository, *arguments),
                    cwd=self.folder,
                    stdin=sent,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.PIPE,
                    env=git_environment(network),
                    pass_fds=() if self._lock is None else (self._lock,),
                )
            except FileNotFoundError:
                raise git_absent() from None
            with process:
                assert process.stderr is not None  # a pipe, see above
                try:
                    said = _listen(process.stderr, progress)
                except BaseException:
                    process.terminate()
                    raise
        if process.returncode != 0:
            words = _words(said)
            if any(_REFUSAL.search(line) for line in said):
                raise _RefusedError(f"{self.name}: {words}")
            raise FetchError(
                f"{self.name} could not be fetched; git says: {words}; see to that and fetch again, which goes on "
                f"from what has arrived in {self.folder}"
            )


def _listen(stderr: IO[bytes], progress: Progress) -> list[str]:
    """Read what git says until it ends; pass its counts on and return the rest, line by line."""
    said: list[str] = []
    rest = ""
    while data := stderr.read1(2**16):  # type: ignore[attr-defined]
        *lines, rest = re.split(r"[\r\n]", rest + data.decode(errors="replace"))
        for line in lines:
            if count := _COUNT.search(line):
                progress(int(count[1]), int(count[2]))
            elif line.strip() and not _CHATTER.match(line):
                said.append(line.strip())
        del said[:-20]
        rest = rest[-2000:]
    return [*said, rest.strip()] if rest.strip() else said


def _words(said: Sequence[str]) -> str:
    """Return the lines in which git first and last names a fault; the last alone may be "Could not read"."""
    faults = [line for line in said if re.match(r"(fatal|error|remote|ssh): ", line)] or list(said) or ["nothing"]
    if "could not read Username" in faults[-1]:
        return "there is no public repository at this address"
    words = faults[-1] if faults[0] == faults[-1] else f"{faults[0][:200]}; {faults[-1]}"
    return "".join(character if character.isprintable() else "?" for character in words[:400])


def _fetch_commit(git: _Git, address: str, commit: str, folders: Sequence[str], progress: Progress) -> None:
    """Bring a commit and the contents of its folders into the partial copy, in the first way that the server allows."""
    refusals = []
    for way in (_THIN, _SHALLOW, _WHOLE):
        try:
            _begin(git, address)
            if not _holds(git, commit):
                asked = _ALL_REFS if way == _WHOLE else (commit,)
                git.run("fetch", "--progress", "--no-tags", *way, "origin", *asked, network=True, progress=progress)
            if not _holds(git, commit):
                raise FetchError(f"{git.name}: {commit} is not a commit of any branch or tag")
            _fetch_contents(git, commit, tree_files(git.repository, commit, folders), progress)
            return
        except _RefusedError as error:
            refusals.append(error)
            _empty(git.folder)
        except FetchError as error:
            if "not our ref" in str(error):
                raise FetchError(f"{git.name} has no commit {commit}; accepted: a commit that it has") from None
            raise
    raise FetchError(f"{refusals[-1]}; accepted: a server that gives out one commit, or all of its branches")


def _begin(git: _Git, address: str) -> None:
    """Make the partial copy's repository, or take it up again after an interruption."""
    if git.repository.exists():
        # The lock says that nobody is at work here: these were left by a process that was killed.
        locks = git.repository.rglob("*.lock")
        pieces = (git.repository / "objects").rglob("tmp_*")
        for leftover in [path for path in (*locks, *pieces) if path.is_file()]:
            leftover.unlink()
    git.run("init", "--quiet", "--template=", "--object-format=sha1")
    git.run("config", "remote.origin.url", address)


def _holds(git: _Git, commit: str) -> bool:
    found = git_output(git.repository, "rev-parse", "--verify", "--quiet", f"{commit}^{{commit}}")
    return found is not None and found.decode().strip() == commit


def _fetch_contents(git: _Git, commit: str, files: Sequence[TreeFile], progress: Progress) -> None:
    """Bring the contents that a thin fetch left out, some at a time: what has arrived need not be fetched again."""
    listed = git_output(
        git.repository, "rev-list", "--objects", "--no-object-names", "--missing=print", "--max-count=1", commit
    )
    if listed is None:
        raise FetchError(f"{git.folder} is damaged; delete it and fetch again")
    absent = {line[1:].decode() for line in listed.split() if line.startswith(b"?")}
    blobs = {file.blob for file in files}
    wanted = sorted(blobs & absent)
    for start in range(0, len(wanted), _BLOBS_AT_ONCE):
        done = len(blobs) - len(wanted) + start

        def pass_on(n: int, _: int, done: int = done) -> None:
            progress(done + n, len(blobs))

        pass_on(0, 0)
        arguments = ("--progress", "--no-tags", "--no-write-fetch-head", "--filter=blob:none", "--stdin", "origin")
        git.run(
            *("-c", "fetch.negotiationAlgorithm=noop"),  # as git itself asks for contents that a partial clone lacks
            *("fetch", *arguments),
            network=True,
            progress=pass_on,
            lines=wanted[start : start + _BLOBS_AT_ONCE],
        )


def _check_out(git: _Git, commit: str, folders: Sequence[str]) -> None:
    """Write the files of the folders."""
    _empty(git.folder, keep=".git")
    (git.repository / "index").unlink(missing_ok=True)
    information = git.repository / "info"
    information.mkdir(exist_ok=True)
    (information / "attributes").write_text(_ATTRIBUTES)
    patterns = [re.sub(r"([*?\[\]!# ])", r"\\\1", f"/{folder}") for folder in folders] or ["/*"]
    (information / "sparse-checkout").write_text("".join(f"{pattern}\n" for pattern in patterns), encoding="utf-8")
    for name, value in (("core.autocrlf", "false"), ("core.symlinks", "false"), ("core.sparseCheckout", "true")):
        git.run("config", name, value)  # kept in the copy, so that a person's `git status` there is clean
    git.run("checkout", "--quiet", "--force", "--detach", commit)


def _check_against(folder: Path, commit: str, folders: Sequence[str]) -> None:
    """See that a checkout is what the commit says."""
    states = verify_git(folder, commit, folders)
    wrong = [state for state in states if state.state != PRESENT]
    if wrong:
        raise FetchError(
            f"{folder} is at commit {commit}, but {len(wrong):,} of {len(states):,} files are not as it has them "
            f"(first: {wrong[0].path}, {wrong[0].state}); move it away and fetch again"
        )


def _check_existing(target: Path, repository: str, commit: str, folders: Sequence[str]) -> None:
    """See that a target which exists is what a fetch would make."""
    head = git_output(target / ".git", "rev-parse", "--verify", "--quiet", "HEAD") if target.is_dir() else None
    if head is None:
        raise FetchError(f"{target} exists already and is no git checkout; move it away to fetch {repository} there")
    if head.decode().strip() != commit:
        raise FetchError(
            f"{target} exists already at commit {head.decode().strip()}; move it away to fetch commit {commit} there"
        )
    _check_against(target, commit, folders)


def _address(repository: str) -> str:
    """Return the address to give to git; a path is made absolute, since git runs elsewhere."""
    if not repository or repository.startswith("-") or not repository.isprintable():
        raise FetchError(f"{repository[:80]!r} is not a repository; accepted: an address or a path")
    if re.match(r"[\w+.-]*::", repository):
        raise FetchError(f"{repository[:80]!r} names a helper program; accepted: an address or a path")
    path = Path(repository)
    return str(path.resolve()) if path.exists() else repository


def _is_occupied(target: Path) -> bool:
    if target.is_dir() and not target.is_symlink():
        return any(target.iterdir())
    return os.path.lexists(target)


def _empty(folder: Path, keep: str = "") -> None:
    """Delete what is in a folder of our own."""
    for path in folder.iterdir():
        if path.name == keep:
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()


@contextlib.contextmanager
def _writing(target: Path) -> Iterator[None]:
    """Turn what the system says against writing (no permission, no room) into one line."""
    try:
        yield
    except OSError as error:
        raise FetchError(
            f"{target} cannot be written ({error.strerror or type(error).__name__}); see to that and fetch again, "
            "which goes on from what has arrived"
        ) from None


@contextlib.contextmanager
def _sole_use(path: Path) -> Iterator[int | None]:
    """Hold a lock on a file or folder; the system lets go of it however the process ends."""
    if fcntl is None:
        yield None
        return
    lock = os.open(path, os.O_RDONLY)
    try:
        patience = time.monotonic() + _SECONDS_FOR_LOCK
        while not _lock(lock):
            if time.monotonic() > patience:
                raise FetchError(f"another process is fetching into {path}; wait until it has finished")
            time.sleep(0.05)
        if not path.exists() or not os.path.samestat(os.fstat(lock), path.stat()):
            raise FetchError(f"another process has just finished fetching into {path}; fetch again to check its work")
        yield lock
    finally:
        os.close(lock)


def _lock(file: int) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def fetch_download(
    url: str,
    sha256: str,
    target: Path,
    unpack: bool,
    progress: Progress = _silent,
    *,
    max_bytes: int = MAX_DOWNLOAD_BYTES,
    max_unpacked_bytes: int = archive.MAX_BYTES,
    timeout: float = 30.0,
) -> None:
    """Bring one file, and unpack it if it is an archive.

    Parameters
    ----------
    url : str
        ``http``, ``https`` or ``file``.
    sha256 : str
        Of the file that is downloaded, in 64 hexadecimal digits.
    target : Path
        The file, or with `unpack` the folder. Must not exist, or be what a fetch of the same has made (then nothing
        is done).
    unpack : bool
        Whether the file is an archive; see `keybench.corpora.archive.unpack`.
    progress : callable
        Called with the bytes that are done and that there are. An exception that it raises ends the fetch.
    max_bytes, max_unpacked_bytes : int
        Limits for the download and for what it unpacks to.
    timeout : float
        Seconds of silence after which a server counts as gone.

    Raises
    ------
    FetchError
        If the server cannot be reached or does not give the whole file, the file has another hash (what was
        downloaded is then deleted), the archive is refused, or the target is something else or cannot be written.
    """
    sha256 = sha256.lower()
    if not re.fullmatch(r"[0-9a-f]{64}", sha256):
        raise FetchError(f"{sha256[:80]!r} is not a SHA-256; accepted: 64 hexadecimal digits")
    if not re.match(r"(?i)(https?|file)://", url):
        raise FetchError(f"{url[:80]!r} is not an address that can be downloaded; accepted: http, https, file")
    part = target.with_name(f"{target.name}.part")
    with _writing(target):
        if os.path.lexists(target):
            _check_download(target, sha256, unpack, url)
            return
        target.parent.mkdir(parents=True, exist_ok=True)
        part.touch()
        with _sole_use(part):
            try:
                _download(url, sha256, part, progress, max_bytes, timeout)
            finally:
                if part.exists() and part.stat().st_size == 0:
                    part.unlink()
            if unpack:
                _unpack(part, sha256, target, max_unpacked_bytes)
            else:
                os.replace(part, target)


def _check_download(target: Path, sha256: str, unpack: bool, url: str) -> None:
    """See that a target which exists is what a download would make."""
    if unpack:
        mark = target / _MARK
        same = mark.is_file() and mark.read_text(errors="replace").strip() == sha256
    else:
        same = target.is_file() and hash_file(target) == sha256
    if not same:
        raise FetchError(f"{target} exists already and is something else; move it away to fetch {url} there")


def _unpack(part: Path, sha256: str, target: Path, max_bytes: int) -> None:
    """Unpack beside the target, so that the mark is inside before the folder gets its name."""
    folder = target.with_name(f".{target.name}.keybench-partial")
    shutil.rmtree(folder, ignore_errors=True)
    try:
        try:
            archive.unpack(part, folder, max_bytes)
        except FetchError:
            part.unlink(missing_ok=True)  # it is what the checksum says, and of no use
            raise
        (folder / _MARK).write_text(f"{sha256}\n")
        os.replace(folder, target)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    part.unlink()


def _download(url: str, sha256: str, part: Path, progress: Progress, max_bytes: int, timeout: float) -> None:
    """Bring the part file to the hash that it should have."""
    digest = hashlib.sha256()
    with open(part, "r+b") as file:
        while data := file.read(_CHUNK):
            digest.update(data)
        if digest.hexdigest() == sha256:  # an earlier fetch was interrupted between download and unpacking
            return
        response, start = _open(url, file.tell(), timeout)
        with response:
            if start == 0:
                file.seek(0)
                file.truncate()
                digest = hashlib.sha256()
            length = response.headers.get("Content-Length", "")
            total = start + int(length) if re.fullmatch("[0-9]{1,18}", length) else 0
            if total > max_bytes:
                raise FetchError(f"{url}: {total:,} bytes; accepted: at most {max_bytes:,}")
            free = shutil.disk_usage(part.parent).free
            if total - start > free:
                raise FetchError(f"{url}: {total - start:,} bytes are to come, but {part.parent} has room for {free:,}")
            done = start
            progress(done, total)
            for data in _pieces(response, url):
                file.write(data)
                digest.update(data)
                done += len(data)
                if done > max_bytes:
                    file.truncate(0)
                    raise FetchError(f"{url}: more than {max_bytes:,} bytes; accepted: at most that many")
                progress(done, total)
    if done < total:
        raise FetchError(
            f"{url}: the connection ended after {done:,} of {total:,} bytes; fetch again, which goes on from there"
        )
    if digest.hexdigest() != sha256:
        part.unlink()
        raise FetchError(
            f"{url}: the SHA-256 of what was downloaded is {digest.hexdigest()}, not {sha256}; it was deleted, "
            "fetch again, and if this comes again the file at the address has changed"
        )


def _open(url: str, start: int, timeout: float) -> tuple[Any, int]:
    """Ask for a file from a byte on; return the answer and the byte that it really begins at: `start`, or 0."""
    headers = {"User-Agent": "keybench"} | ({"Range": f"bytes={start}-"} if start else {})
    try:
        response = urllib.request.urlopen(urllib.request.Request(url, headers=headers), timeout=timeout)
    except urllib.error.HTTPError as error:
        error.close()
        if start and error.code == HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE:
            return _open(url, 0, timeout)
        raise FetchError(
            f"{url}: the server answers {error.code} {error.reason}; accepted: the address of a file"
        ) from None
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise _unreachable(url, error) from None
    if response.status != HTTPStatus.PARTIAL_CONTENT:
        return response, 0
    if start and response.headers.get("Content-Range", "").startswith(f"bytes {start}-"):
        return response, start
    response.close()
    if start:
        return _open(url, 0, timeout)
    raise FetchError(f"{url}: the server gives a part of the file to one who asked for the whole")


def _pieces(response: Any, url: str) -> Iterator[bytes]:
    """Give out the content as it comes."""
    while True:
        try:
            data = response.read1(_CHUNK) if hasattr(response, "read1") else response.read(_CHUNK)
        except (OSError, http.client.HTTPException, ValueError) as error:
            raise _unreachable(url, error) from None
        if not data:
            return
        yield data


def _unreachable(url: str, error: Exception) -> FetchError:
    reason = error.reason if isinstance(error, urllib.error.URLError) else error
    if isinstance(reason, TimeoutError):
        words = "the server is silent"
    elif isinstance(reason, OSError) and reason.strerror:
        words = reason.strerror
    else:
        words = str(reason).split("\n")[0][:200] or type(reason).__name__
    return FetchError(
        f"{url} could not be downloaded ({words}); check the network and fetch again, "
        "which goes on from what has arrived"
    )
