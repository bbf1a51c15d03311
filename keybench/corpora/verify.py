"""Comparing a corpus on this machine with what it should be: a list of hashes, or a commit of its origin.

*Missing*, *changed* and *unreadable* are different states: a reduced copy lacks files and serves all the same, while a
file with another content is not the data that a result was measured on.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import subprocess
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from keybench.corpora.hashes import hash_file, path_fault
from keybench.errors import FetchError, ManifestError

STATES = ("present", "missing", "changed", "unreadable")
"""What a file can be: as it should be; not there; there with another content; there, but its content cannot be had."""

PRESENT, MISSING, CHANGED, UNREADABLE = STATES

_CHUNK = 2**20
_COMMIT = re.compile(r"[0-9a-f]{40}")

_SAFE_OPTIONS = {
    "protocol.ext.allow": "never",  # an address could name a command to run
    "core.hooksPath": os.devnull,
    "core.fsmonitor": "false",
    "core.attributesFile": os.devnull,
    "core.autocrlf": "false",
    "core.symlinks": "false",  # a link becomes a plain file that holds its target's name, so none can lead outside
    "core.longpaths": "true",
    "submodule.recurse": "false",
    "fetch.recurseSubmodules": "false",
    "credential.helper": "",
    "gc.auto": "0",
    "maintenance.auto": "false",
    "advice.detachedHead": "false",
    "http.lowSpeedLimit": "1000",  # bytes a second: a connection that stalls for a minute counts as broken
    "http.lowSpeedTime": "60",
}

# Set by git itself for its hooks, or by a person for another repository: each would lead git to the wrong place.
_FOREIGN_VARIABLES = (
    "GIT_WORK_TREE",
    "GIT_INDEX_FILE",
    "GIT_OBJECT_DIRECTORY",
    "GIT_ALTERNATE_OBJECT_DIRECTORIES",
    "GIT_COMMON_DIR",
    "GIT_NAMESPACE",
    "GIT_SHALLOW_FILE",
    "GIT_GRAFT_FILE",
    "GIT_REPLACE_REF_BASE",
    "GIT_ATTR_SOURCE",
    "GIT_PREFIX",
)


@dataclass(frozen=True)
class FileState:
    """How one file stands.

    Parameters
    ----------
    path : str
        Relative to the root of the corpus, with forward slashes.
    state : str
        One of `STATES`.
    detail : str
        What is wrong, in a few words; empty for a file that is present.
    """

    path: str
    state: str
    detail: str


def check_commit(commit: str) -> str:
    """Return the name of a commit in small letters.

    Raises
    ------
    FetchError
        If it is not 40 hexadecimal digits: a branch or a short name may mean something else tomorrow.
    """
    if not _COMMIT.fullmatch(commit.lower()):
        raise FetchError(f"{commit[:80]!r} does not name one commit for good; accepted: 40 hexadecimal digits")
    return commit.lower()


def check_folders(folders: Sequence[str]) -> None:
    """Check the names of folders inside a repository.

    Raises
    ------
    FetchError
        If one of them is absolute, leaves the repository, or is written with a backslash.
    """
    for folder in folders:
        if fault := path_fault(folder):
            raise FetchError(f"the folder {folder[:80]!r} is not accepted: {fault}")


def git_command(repository: Path, *arguments: str) -> list[str]:
    """Return the command line that runs git on exactly one repository, with nothing that could run other programs.

    Parameters
    ----------
    repository : Path
        The ``.git`` folder. It is named outright: git would otherwise look for one in the folders above. The command
        is to be run in the folder that holds it.
    *arguments : str
    """
    options = [part for name, value in _SAFE_OPTIONS.items() for part in ("-c", f"{name}={value}")]
    return ["git", *options, f"--git-dir={repository.absolute()}", *arguments]


def git_environment(network: bool = False) -> dict[str, str]:
    """Return the environment that git runs in: it asks nobody for a password and speaks English.

    Parameters
    ----------
    network : bool
        Whether it may fetch anything; otherwise a partial copy that lacks an object is an error, not a download.
    """
    environment = {name: value for name, value in os.environ.items() if name not in _FOREIGN_VARIABLES}
    environment |= {
        "GIT_TERMINAL_PROMPT": "0",
        "GIT_ASKPASS": "",
        "SSH_ASKPASS_REQUIRE": "never",
        "GCM_INTERACTIVE": "never",
        "GIT_LITERAL_PATHSPECS": "1",
        "GIT_NO_REPLACE_OBJECTS": "1",
        "GIT_PROGRESS_DELAY": "0",
        "LC_ALL": "C",
    }
    environment.setdefault("GIT_SSH_COMMAND", "ssh -o BatchMode=yes -o ConnectTimeout=30")
    if not network:
        environment |= {"GIT_NO_LAZY_FETCH": "1", "GIT_ALLOW_PROTOCOL": "none"}
    return environment


def git_output(repository: Path, *arguments: str) -> bytes | None:
    """Run git on what is on this machine and return its output, or None if it fails.

    Raises
    ------
    FetchError
        If git is not installed.
    """
    try:
        result = subprocess.run(
            git_command(repository, *arguments),
            cwd=repository.parent,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            env=git_environment(),
            check=False,
        )
    except FileNotFoundError:
        raise git_absent() from None
    return result.stdout if result.returncode == 0 else None


def git_absent() -> FetchError:
    """Return the error for a machine without git."""
    return FetchError("git is not on this machine; install it (https://git-scm.com) and try again")


@dataclass(frozen=True)
class TreeFile:
    """A file as a commit states it.

    Parameters
    ----------
    path : str
    blob : str
        Git's name for its content: 40 hexadecimal digits.
    is_link : bool
        Whether it is a symbolic link; its content is then the name of its target.
    """

    path: str
    blob: str
    is_link: bool


def tree_files(repository: Path, commit: str, folders: Sequence[str]) -> list[TreeFile]:
    """List the files of a commit, from the commit itself: the index of a checkout could say anything.

    Parameters
    ----------
    repository : Path
        The ``.git`` folder.
    commit : str
    folders : sequence of str
        Folders or files; all of the repository if there are none.

    Returns
    -------
    list of TreeFile
        Sorted by path. Submodules are left out.

    Raises
    ------
    FetchError
        If the repository does not hold the commit, or the commit does not hold one of the folders.
    """
    output = git_output(repository, "ls-tree", "-r", "-z", "--full-tree", commit, "--", *folders)
    if output is None:
        raise FetchError(f"{repository.parent}: this copy does not hold the commit {commit}, or is damaged")
    files = []
    for line in output.split(b"\0")[:-1]:
        fields, path = line.split(b"\t", 1)
        mode, kind, blob = fields.decode().split()
        if kind == "blob":
            files.append(TreeFile(os.fsdecode(path), blob, is_link=mode == "120000"))
    for folder in folders:
        if not any(file.path == folder or file.path.startswith(f"{folder}/") for file in files):
            raise FetchError(f"commit {commit} has no files in {folder!r}; accepted: folders that it holds")
    return sorted(files, key=lambda file: file.path)


def _blob_name(path: Path) -> str:
    """Return git's name for the content of a file: the SHA-1 of ``blob``, its length and its bytes."""
    with open(path, "rb") as file:
        digest = hashlib.sha1(b"blob %d\0" % os.fstat(file.fileno()).st_size, usedforsecurity=False)
        while data := file.read(_CHUNK):
            digest.update(data)
    return digest.hexdigest()


def _link_state(file: TreeFile, path: Path) -> FileState:
    """Compare a symbolic link on disk, as an ordinary clone has them; what it leads to is never looked at."""
    target = os.fsencode(os.readlink(path))
    name = hashlib.sha1(b"blob %d\0" % len(target) + target, usedforsecurity=False).hexdigest()
    if file.is_link and name == file.blob:
        return FileState(file.path, PRESENT, "")
    return FileState(file.path, CHANGED, "another symbolic link stands in its place")


def _state(name: str, path: Path, expected: str, content: Callable[[Path], str]) -> FileState:
    """Compare one file; `content` gives the name of what a path holds, to be compared with `expected`."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            return FileState(name, UNREADABLE, "a folder stands in its place")
        if not stat.S_ISREG(mode):  # to open a pipe would be to wait for ever
            return FileState(name, UNREADABLE, "not an ordinary file")
        found = content(path)
    except (FileNotFoundError, NotADirectoryError):
        return FileState(name, MISSING, "not there")
    except OSError as error:
        return FileState(name, UNREADABLE, error.strerror or type(error).__name__)
    if found != expected:
        return FileState(name, CHANGED, f"its hash is {found[:12]}, not {expected[:12]}")
    return FileState(name, PRESENT, "")


def verify_files(root: Path, hashes: Mapping[str, str]) -> list[FileState]:
    """Compare files with a list of hashes.

    Contents are compared and nothing else: a file that a symbolic link leads to is as good as the file itself, and a
    compressed file that was cut short is changed.

    Parameters
    ----------
    root : Path
        Folder of the corpus. If it is absent, all files are missing.
    hashes : mapping of str to str
        SHA-256 by relative path, as `keybench.corpora.hashes.read_hashes` returns them.

    Returns
    -------
    list of FileState
        One for each hash, sorted by path.
    """
    return [_state(name, root / name, digest, hash_file) for name, digest in sorted(hashes.items())]


def extra_files(root: Path, hashes: Mapping[str, str], globs: Iterable[str]) -> list[str]:
    """List the files that a corpus would be read from although no hash vouches for them.

    Parameters
    ----------
    root : Path
    hashes : mapping of str to str
    globs : iterable of str
        Patterns below `root`, as `pathlib` understands them (``kern/*.krn``, ``**/*.tsv.gz``).

    Returns
    -------
    list of str
        Relative paths with forward slashes, sorted.

    Raises
    ------
    ManifestError
        If a pattern is not accepted.
    """
    found = set()
    for glob in globs:
        if fault := path_fault(glob):
            raise ManifestError(f"the pattern {glob[:80]!r} is not accepted: {fault}")
        try:
            found |= {path.relative_to(root).as_posix() for path in root.glob(glob) if os.path.isfile(path)}
        except ValueError as error:
            raise ManifestError(f"the pattern {glob!r} is not accepted: {error}") from None
    return sorted(path for path in found - hashes.keys() if path.split("/")[0] != ".git")


def verify_git(root: Path, commit: str, folders: Sequence[str] = ()) -> list[FileState]:
    """Compare a git checkout with a commit, byte for byte.

    The commit's own list of files is read and each file is hashed, so that neither the index nor a conversion of line
    endings can hide a difference.

    Parameters
    ----------
    root : Path
        The checkout, with its ``.git``.
    commit : str
        40 hexadecimal digits.
    folders : sequence of str
        Folders or files to compare; all of the repository if there are none.

    Returns
    -------
    list of FileState
        One for each file of the commit in the folders, sorted by path. Submodules are left out.

    Raises
    ------
    FetchError
        If `root` is not a checkout, or does not hold the commit, or the commit does not hold one of the folders.
    """
    commit = check_commit(commit)
    check_folders(folders)
    if not (root / ".git").exists():
        raise FetchError(f"{root}: not a git checkout (it has no .git); accepted: a folder that git made")
    states = []
    for file in tree_files(root / ".git", commit, folders):
        path = root / file.path
        if os.path.islink(path):
            states.append(_link_state(file, path))
        else:
            states.append(_state(file.path, path, file.blob, _blob_name))
    return states
