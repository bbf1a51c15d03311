"""Full names of commits from their beginnings, against git itself."""

import os
import shutil
import subprocess

import pytest

from keybench.corpora.fetch import full_commit
from keybench.errors import FetchError

pytestmark = pytest.mark.skipif(shutil.which("git") is None, reason="git is not on this machine")


@pytest.fixture
def repository(tmp_path, monkeypatch):
    """A repository of three commits, and their names as git gives them, the newest first."""
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", os.devnull)

    def git(*arguments):
        identity = ("-c", "user.name=Nobody", "-c", "user.email=nobody@example.org")
        command = ["git", *identity, *arguments]
        return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True).stdout

    folder = tmp_path / "tunes"
    folder.mkdir()
    git("init", "--quiet")
    for number in range(3):
        (folder / "tune.abc").write_text(f"X:{number}\nK:G\nGABc|\n")
        git("add", ".")
        git("commit", "--quiet", "-m", f"Tune {number}")
    return str(folder), git("log", "--format=%H").split()


def test_a_beginning_names_its_commit(repository):
    address, names = repository
    for name in names:
        assert full_commit(address, name[:7]) == name
        assert full_commit(address, name) == name


def test_no_commit_begins_so(repository):
    address, names = repository
    beginning = next(f"{digit}" * 7 for digit in "0123456789abcdef" if not any(n.startswith(digit * 7) for n in names))
    with pytest.raises(FetchError, match="no commit, or more than one"):
        full_commit(address, beginning)


def test_a_repository_that_is_not_there(tmp_path):
    with pytest.raises(FetchError, match="could not be fetched"):
        full_commit(str(tmp_path / "nowhere"), "0123456")


def test_a_branch_of_that_name_is_not_taken_for_a_commit(repository, tmp_path):
    address, names = repository
    subprocess.run(["git", "branch", "abcdef0"], cwd=address, check=True, capture_output=True)
    if not any(name.startswith("abcdef0") for name in names):
        with pytest.raises(FetchError, match="begins with abcdef0"):
            full_commit(address, "abcdef0")
