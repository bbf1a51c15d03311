"""Fetching, against git repositories and servers made for the occasion.

The repositories are read back with git itself; the standard for partial downloads is RFC 9110, section 14.
"""

import contextlib
import copy
import errno
import functools
import hashlib
import http.server
import io
import os
import re
import shutil
import signal
import socket
import stat
import subprocess
import sys
import tarfile
import threading
import time
import zipfile
from pathlib import Path

import pytest

from keybench.corpora import fetch
from keybench.corpora.fetch import fetch_download, fetch_git
from keybench.errors import FetchError

pytestmark = pytest.mark.skipif(shutil.which("git") is None, reason="git is not on this machine")

N_TUNES = 12


def forget_personal_settings(monkeypatch):
    for name in ("http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", os.devnull)
    monkeypatch.setenv("GIT_CONFIG_NOSYSTEM", "1")


@pytest.fixture(autouse=True)
def _plain_surroundings(monkeypatch):
    """No proxy, no settings of the person who runs the tests."""
    forget_personal_settings(monkeypatch)


def git(folder, *arguments):
    identity = ("-c", "user.name=Nobody", "-c", "user.email=nobody@example.org", "-c", "init.defaultBranch=trunk")
    done = subprocess.run(["git", *identity, *arguments], cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def set_git(monkeypatch, **values):
    """Set git options through the environment (``protocol_version`` for ``protocol.version``)."""
    monkeypatch.setenv("GIT_CONFIG_COUNT", str(len(values)))
    for number, (name, value) in enumerate(values.items()):
        monkeypatch.setenv(f"GIT_CONFIG_KEY_{number}", name.replace("_", "."))
        monkeypatch.setenv(f"GIT_CONFIG_VALUE_{number}", value)


class Origin:
    """A repository of three commits, of which the second is the pinned one."""

    def __init__(self, folder):
        self.folder = folder
        folder.mkdir()
        git(folder, "init", "--quiet")
        (folder / "tunes" / "old").mkdir(parents=True)
        (folder / "essays").mkdir()
        for number in range(N_TUNES):
            (folder / "tunes" / f"{number:02}.abc").write_text(f"X:{number}\nK:C\nC{number}|\n")
        (folder / "tunes" / "old" / "a.abc").write_bytes(b"X:1\r\nK:G\r\nG|\r\n")
        (folder / "essays" / "long.txt").write_text("words " * 500)
        (folder / "LICENSE").write_text("Do as you like.\n")
        self.first = self.commit()
        (folder / "tunes" / "00.abc").write_text("X:0\nK:D\nD|\n")
        self.pinned = self.commit()
        (folder / "tunes" / "00.abc").write_text("X:0\nK:E\nE|\n")
        (folder / "tunes" / "99.abc").write_text("X:99\nK:F\nF|\n")
        self.tip = self.commit()

    def copy_to(self, folder):
        other = copy.copy(self)
        other.folder = Path(shutil.copytree(self.folder, folder))
        return other

    def commit(self):
        git(self.folder, "add", "--all")
        git(self.folder, "commit", "--quiet", "--message", "more")
        return git(self.folder, "rev-parse", "HEAD")

    def allow(self, **values):
        for name, value in values.items():
            git(self.folder, "config", f"uploadpack.{name}", value)

    def files(self, commit, *folders):
        """Return the files of a commit and their bytes, as git prints them."""
        names = git(self.folder, "ls-tree", "-r", "--name-only", commit, *folders).split("\n")
        blobs = [
            subprocess.run(["git", "cat-file", "blob", f"{commit}:{name}"], cwd=self.folder, capture_output=True)
            for name in names
        ]
        return dict(zip(names, [blob.stdout for blob in blobs], strict=True))


@pytest.fixture(scope="session")
def template(tmp_path_factory):
    with pytest.MonkeyPatch.context() as monkeypatch:
        forget_personal_settings(monkeypatch)
        return Origin(tmp_path_factory.mktemp("fetch") / "origin")


@pytest.fixture
def origin(template, tmp_path):
    return template.copy_to(tmp_path / "origin")


def files_in(folder):
    """Return the files below a folder and their bytes, without those of git."""
    paths = [path for path in sorted(folder.rglob("*")) if path.is_file() and ".git" not in path.parts]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def partial_of(target):
    return target.with_name(f".{target.name}.keybench-partial")


def refused(call, *arguments, **named):
    """Return the one line of the FetchError that a call raises."""
    with pytest.raises(FetchError) as caught:
        call(*arguments, **named)
    text = str(caught.value)
    assert text
    assert "\n" not in text
    assert len(text) < 700
    return text


@contextlib.contextmanager
def serve(handler):
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()


class Quiet(http.server.BaseHTTPRequestHandler):
    def log_message(self, *arguments):
        pass


def git_server(folder, cut_after=None):
    """Return a handler that serves repositories as git's own HTTP program does.

    With `cut_after`, a list of one number, the connection breaks off in the middle of that answer (0: the first).
    """

    class Handler(Quiet):
        def do_GET(self):
            self.answer(b"")

        def do_POST(self):
            self.answer(self.rfile.read(int(self.headers["Content-Length"])))

        def answer(self, body):
            path, _, query = self.path.partition("?")
            program = subprocess.run(
                ["git", "http-backend"],
                input=body,
                capture_output=True,
                env=os.environ
                | {
                    "GIT_PROJECT_ROOT": str(folder),
                    "GIT_HTTP_EXPORT_ALL": "1",
                    "PATH_INFO": path,
                    "QUERY_STRING": query,
                    "REQUEST_METHOD": self.command,
                    "CONTENT_TYPE": self.headers.get("Content-Type", ""),
                    "CONTENT_LENGTH": str(len(body)),
                    "HTTP_CONTENT_ENCODING": self.headers.get("Content-Encoding", ""),
                    "GIT_PROTOCOL": self.headers.get("Git-Protocol", ""),
                },
            )
            head, content = program.stdout.split(b"\r\n\r\n", 1)
            fields = dict(line.split(": ", 1) for line in head.decode().split("\r\n"))
            self.send_response(int(fields.pop("Status", "200").split()[0]))
            for name, value in fields.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            if cut_after is not None:
                cut_after[0] -= 1
                if cut_after[0] == -1:
                    content = content[: len(content) // 2]
            self.wfile.write(content)

    return Handler


# --- git ---------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def any_server(kind, origin, monkeypatch):
    """Yield the address of the origin on a server of a kind."""
    if kind == "thin":
        origin.allow(allowFilter="true")
    elif kind.startswith("older protocol"):
        set_git(monkeypatch, protocol_version="0")
        if kind == "older protocol, any commit":
            origin.allow(allowFilter="true", allowAnySHA1InWant="true")
    elif kind == "http":
        origin.allow(allowFilter="true")
        with serve(git_server(origin.folder.parent)) as address:
            yield f"{address}/origin"
        return
    elif kind == "plain files over http":
        git(origin.folder, "update-server-info")
        handler = functools.partial(http.server.SimpleHTTPRequestHandler, directory=str(origin.folder))
        monkeypatch.setattr(http.server.SimpleHTTPRequestHandler, "log_message", lambda *_: None)
        with serve(handler) as address:
            yield f"{address}/.git"
        return
    yield f"file://{origin.folder}" if kind == "file address" else str(origin.folder)


KINDS = [
    "thin",
    "no filter",
    "file address",
    "older protocol, any commit",
    "older protocol",
    "http",
    "plain files over http",
]


@pytest.mark.parametrize("kind", KINDS)
def test_brings_the_folders_at_the_pinned_commit(kind, origin, tmp_path, monkeypatch):
    target = tmp_path / "data" / "corpus"
    with any_server(kind, origin, monkeypatch) as address:
        fetch_git(address, origin.pinned, ["tunes", "LICENSE"], target)
    assert files_in(target) == origin.files(origin.pinned, "tunes", "LICENSE")
    assert git(target, "rev-parse", "HEAD") == origin.pinned
    assert git(target, "status", "--porcelain") == ""
    assert [path.name for path in target.parent.iterdir()] == ["corpus"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_commit_that_is_a_branch_of_its_own(kind, origin, tmp_path, monkeypatch):
    with any_server(kind, origin, monkeypatch) as address:
        fetch_git(address, origin.tip, ["tunes/old"], tmp_path / "corpus")
    assert files_in(tmp_path / "corpus") == origin.files(origin.tip, "tunes/old")


@pytest.mark.parametrize(
    ("kind", "n_commits", "n_blobs"),
    [
        ("thin", 1, 1),  # one commit, and of its contents tunes/old alone
        ("http", 1, 1),
        ("older protocol, any commit", 1, 1),
        ("no filter", 1, N_TUNES + 3),  # one commit with all of its contents
        ("older protocol", 3, N_TUNES + 6),  # everything: the next test shows why
    ],
)
def test_asks_for_no_more_than_it_must(kind, n_commits, n_blobs, origin, tmp_path, monkeypatch):
    with any_server(kind, origin, monkeypatch) as address:
        fetch_git(address, origin.pinned, ["tunes/old"], tmp_path / "corpus")
    objects = git(tmp_path / "corpus", "cat-file", "--batch-all-objects", "--batch-check=%(objecttype)").split("\n")
    assert (objects.count("commit"), objects.count("blob")) == (n_commits, n_blobs)


def test_the_older_protocol_refuses_a_commit_that_no_branch_points_at(origin, tmp_path):
    # git's own words, without this project: what makes the last way of fetching necessary.
    (tmp_path / "bare").mkdir()
    git(tmp_path / "bare", "init", "--quiet")
    for commit, accepted in ((origin.pinned, False), (origin.tip, True)):
        command = ["git", "-c", "protocol.version=0", "fetch", "--depth=1", str(origin.folder), commit]
        done = subprocess.run(command, cwd=tmp_path / "bare", capture_output=True, text=True)
        assert (done.returncode == 0) is accepted
        assert ("unadvertised object" in done.stderr) is not accepted


def test_without_folders_brings_everything(origin, tmp_path):
    fetch_git(str(origin.folder), origin.pinned.upper(), [], tmp_path / "corpus")
    assert files_in(tmp_path / "corpus") == origin.files(origin.pinned)


def test_names_that_mean_something_to_git(origin, tmp_path):
    odd = ["-q", "a*", "!b", "#c", "[d]", "e f ", ":(top)", "höhe", "g?"]
    for name in odd:
        (origin.folder / name).mkdir()
        (origin.folder / name / "tune.abc").write_text(f"X:1\nT:{name}\nK:C\n")
    (origin.folder / "ab").mkdir()
    (origin.folder / "ab" / "other.abc").write_text("X:2\nK:C\n")
    commit = origin.commit()
    fetch_git(str(origin.folder), commit, odd, tmp_path / "corpus")
    assert sorted(files_in(tmp_path / "corpus")) == sorted(f"{name}/tune.abc" for name in odd)


def test_files_arrive_byte_for_byte(origin, tmp_path, monkeypatch):
    (origin.folder / ".gitattributes").write_text("*.abc text eol=crlf ident\n*.txt filter=shout\n")
    (origin.folder / "tunes" / "id.abc").write_text("% $Id$\nX:1\nK:C\n")
    (origin.folder / "tunes" / "out").symlink_to("../../../secret")
    (origin.folder / "tunes" / "in").symlink_to("01.abc")
    commit = origin.commit()
    set_git(monkeypatch, core_autocrlf="true", filter_shout_smudge="tr a-z A-Z", core_symlinks="true")
    fetch_git(str(origin.folder), commit, ["tunes", "essays"], tmp_path / "corpus")
    assert files_in(tmp_path / "corpus") == origin.files(commit, "tunes", "essays")
    links = [tmp_path / "corpus" / "tunes" / name for name in ("out", "in")]
    assert [stat.S_ISREG(path.lstat().st_mode) for path in links] == [True, True]
    assert links[0].read_text() == "../../../secret"


def test_the_copy_has_no_changes_to_who_looks_at_it(origin, tmp_path):
    (origin.folder / ".gitattributes").write_text("*.abc text eol=crlf\n")
    (origin.folder / "tunes" / "in").symlink_to("01.abc")
    fetch_git(str(origin.folder), origin.commit(), ["tunes"], tmp_path / "corpus")
    assert git(tmp_path / "corpus", "status", "--porcelain") == ""


def test_a_copy_that_is_not_as_the_commit_has_it_gets_no_place(origin, tmp_path, monkeypatch):
    (origin.folder / ".gitattributes").write_text("*.abc text eol=crlf\n")
    monkeypatch.setattr(fetch, "_ATTRIBUTES", "")  # so that git follows the repository's own
    line = refused(fetch_git, str(origin.folder), origin.commit(), ["tunes"], tmp_path / "corpus")
    assert "files are not as it has them (first: tunes/00.abc, changed)" in line
    assert not (tmp_path / "corpus").exists()


@pytest.mark.parametrize("where", ["template", "settings"])
def test_no_program_of_a_template_or_of_the_settings_runs(where, origin, tmp_path, monkeypatch):
    ran = tmp_path / "ran"
    hooks = tmp_path / "template" / "hooks"
    hooks.mkdir(parents=True)
    for name in ("post-checkout", "reference-transaction", "post-index-change"):
        (hooks / name).write_text(f"#!/bin/sh\ntouch {ran}\n")
        (hooks / name).chmod(0o755)
    if where == "template":
        monkeypatch.setenv("GIT_TEMPLATE_DIR", str(tmp_path / "template"))
    else:
        set_git(monkeypatch, core_hooksPath=str(hooks))
    git(tmp_path, "clone", "--quiet", str(origin.folder), str(tmp_path / "control"))
    assert ran.exists()  # the hooks do run for an ordinary clone
    ran.unlink()
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], tmp_path / "corpus")
    assert not ran.exists()
    assert not (tmp_path / "corpus" / ".git" / "hooks").exists()


def test_submodules_are_left_out(origin, tmp_path):
    other = origin.copy_to(tmp_path / "other")
    allow = ("-c", "protocol.file.allow=always")
    git(origin.folder, *allow, "submodule", "--quiet", "add", str(other.folder), "tunes/sub")
    commit = origin.commit()
    fetch_git(str(origin.folder), commit, ["tunes"], tmp_path / "corpus")
    assert files_in(tmp_path / "corpus") == origin.files(origin.tip, "tunes")


def test_another_repository_in_the_environment_is_let_alone(origin, tmp_path, monkeypatch):
    other = origin.copy_to(tmp_path / "other")
    before = files_in(other.folder)
    monkeypatch.setenv("GIT_DIR", str(other.folder / ".git"))  # as git sets it for its hooks
    monkeypatch.setenv("GIT_WORK_TREE", str(other.folder))
    monkeypatch.setenv("GIT_INDEX_FILE", str(other.folder / ".git" / "index"))
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], tmp_path / "corpus")
    for name in ("GIT_DIR", "GIT_WORK_TREE", "GIT_INDEX_FILE"):
        monkeypatch.delenv(name)
    assert files_in(tmp_path / "corpus") == origin.files(origin.pinned, "tunes")
    assert files_in(other.folder) == before
    assert git(other.folder, "rev-parse", "HEAD") == other.tip
    assert git(other.folder, "status", "--porcelain") == ""


def test_a_relative_path_and_a_relative_target(origin, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    fetch_git("origin", origin.pinned, ["tunes"], Path("corpus"))
    assert files_in(tmp_path / "corpus") == origin.files(origin.pinned, "tunes")


def test_the_second_time_there_is_nothing_to_do(origin, tmp_path):
    target = tmp_path / "corpus"
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], target)
    before = {path: path.stat().st_mtime_ns for path in target.rglob("*")}
    shutil.rmtree(origin.folder)
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], target)
    assert {path: path.stat().st_mtime_ns for path in target.rglob("*")} == before


def test_an_empty_folder_may_stand_at_the_target(origin, tmp_path):
    (tmp_path / "corpus").mkdir()
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], tmp_path / "corpus")
    assert files_in(tmp_path / "corpus") == origin.files(origin.pinned, "tunes")


def occupy_with_file(origin, target):
    target.write_text("mine")


def occupy_with_folder(origin, target):
    target.mkdir()
    (target / "notes.txt").write_text("mine")


def occupy_with_dangling_link(origin, target):
    target.symlink_to("nowhere")


def occupy_with_other_commit(origin, target):
    fetch_git(str(origin.folder), origin.first, ["tunes"], target)


def occupy_with_changed_file(origin, target):
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], target)
    (target / "tunes" / "03.abc").write_text("X:3\nK:Am\nA|\n")


def occupy_with_fewer_folders(origin, target):
    fetch_git(str(origin.folder), origin.pinned, ["tunes/old"], target)


@pytest.mark.parametrize(
    ("occupy", "words"),
    [
        (occupy_with_file, "no git checkout"),
        (occupy_with_folder, "no git checkout"),
        (occupy_with_dangling_link, "no git checkout"),
        (occupy_with_other_commit, "exists already at commit"),
        (occupy_with_changed_file, "1 of 13 files are not as it has them (first: tunes/03.abc, changed)"),
        (occupy_with_fewer_folders, "12 of 13 files are not as it has them (first: tunes/00.abc, missing)"),
    ],
)
def test_a_target_that_is_something_else_is_left_alone(occupy, words, origin, tmp_path):
    target = tmp_path / "corpus"
    occupy(origin, target)
    before = (os.readlink(target) if target.is_symlink() else None, target.is_file() and target.read_bytes())
    files = files_in(target) if target.is_dir() else None
    line = refused(fetch_git, str(origin.folder), origin.pinned, ["tunes"], target)
    assert words in line
    assert "move it away" in line
    assert before == (os.readlink(target) if target.is_symlink() else None, target.is_file() and target.read_bytes())
    assert (files_in(target) if target.is_dir() else None) == files


BAD_ARGUMENTS = [
    ({"repository": "--upload-pack=touch ran"}, "is not a repository"),
    ({"repository": ""}, "is not a repository"),
    ({"repository": "https://example.org/a\nb"}, "is not a repository"),
    ({"repository": "ext::sh -c 'touch ran'"}, "helper program"),
    ({"commit": "trunk"}, "40 hexadecimal digits"),
    ({"commit": "abc1234"}, "40 hexadecimal digits"),
    ({"commit": "-" * 40}, "40 hexadecimal digits"),
    ({"folders": ["../up"]}, "leaves its folder"),
    ({"folders": ["/etc"]}, "not relative"),
    ({"folders": ["a\\b"]}, "backslash"),
    ({"folders": [""]}, "empty"),
    ({"folders": ["tunes/"]}, "empty step"),
    ({"folders": ["tunes", "songs"]}, "no files in 'songs'"),
    ({"folders": ["tune"]}, "no files in 'tune'"),  # the beginning of a name is not the name
    ({"commit": "f" * 40}, "has no commit " + "f" * 40),
    ({"repository": "nowhere"}, "does not appear to be a git repository"),
]


@pytest.mark.parametrize(("changed", "words"), BAD_ARGUMENTS, ids=[row[1] for row in BAD_ARGUMENTS])
def test_bad_arguments(changed, words, origin, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    arguments = {"repository": str(origin.folder), "commit": origin.pinned, "folders": ["tunes"]} | changed
    assert words in refused(fetch_git, **arguments, target=tmp_path / "corpus")
    assert not (tmp_path / "corpus").exists()
    assert not (tmp_path / "ran").exists()


def test_the_name_of_a_tag_is_not_a_commit(origin, tmp_path):
    git(origin.folder, "tag", "--annotate", "--message", "first", "v1", origin.first)
    tag = git(origin.folder, "rev-parse", "v1")
    assert tag != origin.first
    assert "is not a commit" in refused(fetch_git, str(origin.folder), tag, ["tunes"], tmp_path / "corpus")


def test_a_commit_that_the_older_protocol_does_not_know(origin, tmp_path, monkeypatch):
    set_git(monkeypatch, protocol_version="0")
    assert "not a commit of any branch" in refused(fetch_git, str(origin.folder), "f" * 40, [], tmp_path / "corpus")


def test_git_absent(origin, tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert "git is not on this machine" in refused(fetch_git, "x", origin.pinned, [], tmp_path / "corpus")


def closed_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def test_a_server_that_is_not_there(origin, tmp_path):
    address = f"http://127.0.0.1:{closed_port()}/origin"
    line = refused(fetch_git, address, origin.pinned, ["tunes"], tmp_path / "corpus")
    assert address in line
    assert "git says: fatal: unable to access" in line
    assert "fetch again" in line


class Locked(Quiet):
    """A server that wants a password."""

    def do_GET(self):
        self.send_response(401)
        self.send_header("WWW-Authenticate", 'Basic realm="x"')
        self.send_header("Content-Length", "0")
        self.end_headers()


def test_no_program_is_asked_for_a_password(origin, tmp_path, monkeypatch):
    asker = tmp_path / "asker"
    asker.write_text(f"#!/bin/sh\ntouch {tmp_path / 'asked'}\necho password=secret\n")
    asker.chmod(0o755)
    monkeypatch.setenv("GIT_ASKPASS", str(asker))
    monkeypatch.setenv("SSH_ASKPASS", str(asker))
    set_git(monkeypatch, credential_helper=str(asker), core_askPass=str(asker))
    with serve(Locked) as address:
        line = refused(fetch_git, address, origin.pinned, ["tunes"], tmp_path / "corpus")
    assert "no public repository" in line
    assert not (tmp_path / "asked").exists()


def test_nobody_at_the_terminal_is_asked_for_a_password(origin, tmp_path):
    pytest.importorskip("pty")
    fetching = (
        "from pathlib import Path\nfrom keybench.corpora.fetch import fetch_git\n"
        "fetch_git({address!r}, {commit!r}, [], Path({target!r}))\n"
    )
    with serve(Locked) as address:
        code = fetching.format(address=address, commit=origin.pinned, target=str(tmp_path / "corpus"))
        with_terminal = f"import pty\npty.spawn([{sys.executable!r}, '-c', {code!r}])\n"
        done = subprocess.run(
            [sys.executable, "-c", with_terminal], stdin=subprocess.DEVNULL, capture_output=True, timeout=20
        )
    assert b"no public repository" in done.stdout
    assert b"Username for" not in done.stdout


def test_what_a_server_says_cannot_write_on_the_terminal():
    assert fetch._words(["fatal: \x1b[31mred\x07"]) == "fatal: ?[31mred?"


class Stop(Exception):
    pass


def stop_at(done_wanted):
    def progress(done, total):
        if total == N_TUNES + 1 and done >= done_wanted:
            raise Stop

    return progress


def test_an_interrupted_fetch_leaves_no_target_and_goes_on_later(origin, tmp_path, monkeypatch):
    origin.allow(allowFilter="true")
    monkeypatch.setattr(fetch, "_BLOBS_AT_ONCE", 5)
    target = tmp_path / "corpus"
    with pytest.raises(Stop):
        fetch_git(str(origin.folder), origin.pinned, ["tunes"], target, stop_at(11))
    assert not target.exists()
    assert partial_of(target).is_dir()
    seen = []
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], target, lambda *counts: seen.append(counts))
    assert seen[0][0] >= 10  # two parts had arrived
    assert seen[-1] == (N_TUNES + 1, N_TUNES + 1)
    assert files_in(target) == origin.files(origin.pinned, "tunes")
    assert not partial_of(target).exists()


def test_progress_never_goes_back_within_the_contents(origin, tmp_path, monkeypatch):
    origin.allow(allowFilter="true")
    monkeypatch.setattr(fetch, "_BLOBS_AT_ONCE", 3)
    seen = []
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], tmp_path / "corpus", lambda *counts: seen.append(counts))
    contents = [done for done, total in seen if total == N_TUNES + 1]
    assert contents == sorted(contents)
    assert contents[0] == 0
    assert len(set(contents)) > 4


def test_the_connection_is_cut_in_the_middle(origin, tmp_path, monkeypatch):
    origin.allow(allowFilter="true")
    monkeypatch.setattr(fetch, "_BLOBS_AT_ONCE", 5)
    target = tmp_path / "corpus"
    seen = []
    # Answers: refs, (a listing,) the commit; then for each part refs and contents. The seventh is amidst the contents.
    with serve(git_server(tmp_path, cut_after=[6])) as address:
        line = refused(fetch_git, f"{address}/origin", origin.pinned, ["tunes"], target, lambda *c: seen.append(c))
        assert "git says: " in line
        assert "goes on from what has arrived" in line
        assert not target.exists()
        done = max(done for done, total in seen if total == N_TUNES + 1)
        assert 5 <= done < N_TUNES + 1
        seen.clear()
        fetch_git(f"{address}/origin", origin.pinned, ["tunes"], target, lambda *c: seen.append(c))
    assert seen[0][0] >= 5
    assert files_in(target) == origin.files(origin.pinned, "tunes")


def test_a_partial_copy_of_another_commit_does_no_harm(origin, tmp_path, monkeypatch):
    origin.allow(allowFilter="true")
    target = tmp_path / "corpus"
    monkeypatch.setattr(fetch.os, "replace", raise_no_room)
    with pytest.raises(FetchError):
        fetch_git(str(origin.folder), origin.tip, ["tunes", "essays"], target)
    monkeypatch.undo()
    assert (partial_of(target) / "tunes" / "99.abc").exists()  # of the tip alone
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], target)
    assert files_in(target) == origin.files(origin.pinned, "tunes")
    assert git(target, "status", "--porcelain") == ""


def test_what_a_killed_git_leaves_behind_is_cleared_away(origin, tmp_path):
    origin.allow(allowFilter="true")
    target = tmp_path / "corpus"
    with pytest.raises(Stop):
        fetch_git(str(origin.folder), origin.pinned, ["tunes"], target, stop_at(0))
    repository = partial_of(target) / ".git"
    for name in ("index.lock", "shallow.lock", "config.lock", "objects/pack/tmp_pack_x1"):
        (repository / name).write_bytes(b"")
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], target)
    assert files_in(target) == origin.files(origin.pinned, "tunes")
    assert not (target / ".git" / "objects" / "pack" / "tmp_pack_x1").exists()


def killed_while_fetching(call, tmp_path):
    """Run a fetch in a process of its own that stops in its progress callback, and kill it there."""
    started = tmp_path / "started"
    script = (
        "import sys, time\nfrom pathlib import Path\nfrom keybench.corpora import fetch\n"
        "fetch._BLOBS_AT_ONCE = 5\n"
        f"def progress(done, total):\n"
        f"    if total >= {N_TUNES + 1} and done >= 5:\n"
        f"        Path({str(started)!r}).touch()\n"
        f"        time.sleep(60)\n"
        f"{call}\n"
    )
    process = subprocess.Popen([sys.executable, "-c", script])
    patience = time.monotonic() + 15
    while not started.exists() and process.poll() is None and time.monotonic() < patience:
        time.sleep(0.02)
    os.kill(process.pid, signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL


def test_a_killed_fetch_leaves_no_target_and_goes_on_later(origin, tmp_path):
    origin.allow(allowFilter="true")
    target = tmp_path / "corpus"
    arguments = f"{str(origin.folder)!r}, {origin.pinned!r}, ['tunes'], Path({str(target)!r})"
    killed_while_fetching(f"fetch.fetch_git({arguments}, progress)", tmp_path)
    assert not target.exists()
    assert partial_of(target).is_dir()
    seen = []
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], target, lambda *counts: seen.append(counts))
    assert seen[0][0] >= 5
    assert files_in(target) == origin.files(origin.pinned, "tunes")


def stand_in_for_git(tmp_path, monkeypatch, script):
    """Put a program of our own in the place of git."""
    program = tmp_path / "programs" / "git"
    program.parent.mkdir()
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{program.parent}{os.pathsep}{os.environ['PATH']}")


def test_an_interruption_ends_git_too(tmp_path, monkeypatch):
    def progress(done, total):
        raise Stop

    stand_in_for_git(tmp_path, monkeypatch, "echo 'Receiving objects:  50% (1/2)' >&2; exec sleep 30")
    before = time.monotonic()
    with pytest.raises(Stop):
        fetch._Git(tmp_path, "x", None).run("fetch", progress=progress)
    assert time.monotonic() - before < 10


def test_a_git_that_outlives_its_parent_keeps_the_place(tmp_path, monkeypatch):
    pytest.importorskip("fcntl")
    stand_in_for_git(tmp_path, monkeypatch, f"touch {tmp_path / 'started'}; exec sleep 30")
    monkeypatch.setattr(fetch, "_SECONDS_FOR_LOCK", 0.1)
    script = (
        "import os\nfrom pathlib import Path\nfrom keybench.corpora import fetch\n"
        f"with fetch._sole_use(Path({str(tmp_path)!r})) as lock:\n"
        f"    fetch._Git(Path({str(tmp_path)!r}), 'x', lock).run('fetch')\n"
    )
    process = subprocess.Popen([sys.executable, "-c", script], start_new_session=True)
    patience = time.monotonic() + 15
    while not (tmp_path / "started").exists() and time.monotonic() < patience:
        time.sleep(0.02)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    with pytest.raises(FetchError, match="another process"), fetch._sole_use(tmp_path):
        pass
    os.killpg(process.pid, signal.SIGKILL)  # the stand-in for git
    monkeypatch.setattr(fetch, "_SECONDS_FOR_LOCK", 5)
    with fetch._sole_use(tmp_path):
        pass


def raise_no_room(*arguments, **named):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize("module_and_name", [("os", "replace"), ("tempfile", "TemporaryFile")])
def test_no_room_for_the_repository(module_and_name, origin, tmp_path, monkeypatch):
    module, name = module_and_name
    with monkeypatch.context() as patched:
        patched.setattr(getattr(fetch, module), name, raise_no_room)
        line = refused(fetch_git, str(origin.folder), origin.pinned, ["tunes"], tmp_path / "corpus")
    assert "No space left" in line
    assert not (tmp_path / "corpus").exists()
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], tmp_path / "corpus")
    assert files_in(tmp_path / "corpus") == origin.files(origin.pinned, "tunes")


def test_a_file_stands_where_the_folder_should_be_made(origin, tmp_path):
    (tmp_path / "data").write_text("")
    line = refused(fetch_git, str(origin.folder), origin.pinned, ["tunes"], tmp_path / "data" / "corpus")
    assert "cannot be written" in line


def test_two_processes_do_not_fetch_into_one_place(origin, tmp_path, monkeypatch):
    fcntl = pytest.importorskip("fcntl")
    monkeypatch.setattr(fetch, "_SECONDS_FOR_LOCK", 0.1)
    partial_of(tmp_path / "corpus").mkdir()
    other = os.open(partial_of(tmp_path / "corpus"), os.O_RDONLY)
    fcntl.flock(other, fcntl.LOCK_EX)
    line = refused(fetch_git, str(origin.folder), origin.pinned, ["tunes"], tmp_path / "corpus")
    assert "another process is fetching" in line
    os.close(other)
    fetch_git(str(origin.folder), origin.pinned, ["tunes"], tmp_path / "corpus")
    assert files_in(tmp_path / "corpus") == origin.files(origin.pinned, "tunes")


# --- downloads ---------------------------------------------------------------------------------------------------

CONTENT = bytes(range(256)) * 4000  # about a megabyte
SHA256 = hashlib.sha256(CONTENT).hexdigest()


class Shelf:
    """A server of one file with faults to order, and a record of the requests.

    Parameters
    ----------
    ranges : bool
        Whether it answers a request for a part with that part (RFC 9110, section 14.2: it need not).
    cuts : list of int
        After how many bytes the first answers break off.
    length : bool
        Whether it states the length.
    status : int
        Of its answers.
    silence : float
        Seconds that it falls silent in the middle of an answer.
    shift : int
        By how many bytes a part begins too late.
    never : bool
        Whether it ends the connection without an answer.
    """

    def __init__(
        self, content=CONTENT, ranges=True, cuts=(), length=True, status=200, silence=0.0, shift=0, never=False
    ):
        self.content, self.ranges, self.cuts, self.length = content, ranges, list(cuts), length
        self.status, self.silence, self.shift, self.never = status, silence, shift, never
        self.asked = []  # the Range field of each request
        self.sent = 0

    def handler(shelf):
        class Handler(Quiet):
            def do_GET(self):
                wanted = self.headers.get("Range")
                shelf.asked.append(wanted)
                if shelf.never:
                    time.sleep(shelf.silence)
                    return
                if shelf.status != 200:
                    self.send_error(shelf.status)
                    return
                start = int(re.fullmatch(r"bytes=(\d+)-", wanted)[1]) if wanted and shelf.ranges else 0
                if start >= len(shelf.content) and start:
                    self.send_error(416)
                    return
                body = shelf.content[start + shelf.shift if start else 0 :]
                self.send_response(206 if wanted and shelf.ranges else 200)
                if shelf.length:
                    self.send_header("Content-Length", str(len(body)))
                if wanted and shelf.ranges:
                    first = start + shelf.shift
                    self.send_header("Content-Range", f"bytes {first}-{len(shelf.content) - 1}/{len(shelf.content)}")
                self.end_headers()
                body = body[: shelf.cuts.pop(0)] if shelf.cuts else body
                half = len(body) // 2
                with contextlib.suppress(ConnectionError):
                    self.wfile.write(body[:half])
                    self.wfile.flush()
                    time.sleep(shelf.silence)
                    self.wfile.write(body[half:])
                    shelf.sent += len(body)
                self.close_connection = True

        return Handler


@contextlib.contextmanager
def shelf(**named):
    one = Shelf(**named)
    with serve(one.handler()) as address:
        one.url = f"{address}/file.bin"
        yield one


def part_of(target):
    return target.with_name(f"{target.name}.part")


def test_downloads_a_file(tmp_path):
    target = tmp_path / "new" / "file.bin"
    seen = []
    with shelf() as one:
        fetch_download(one.url, SHA256.upper(), target, False, lambda *counts: seen.append(counts))
        assert one.asked == [None]
    assert target.read_bytes() == CONTENT
    assert [path.name for path in target.parent.iterdir()] == ["file.bin"]
    assert seen[0] == (0, len(CONTENT))
    assert seen[-1] == (len(CONTENT), len(CONTENT))
    assert seen == sorted(seen)


def test_the_second_time_nothing_is_downloaded(tmp_path):
    with shelf() as one:
        for _ in range(2):
            fetch_download(one.url, SHA256, tmp_path / "file.bin", False)
        assert one.asked == [None]


def test_a_file_address(tmp_path):
    (tmp_path / "source.bin").write_bytes(CONTENT)
    part_of(tmp_path / "file.bin").write_bytes(CONTENT[:1000])
    fetch_download((tmp_path / "source.bin").as_uri(), SHA256, tmp_path / "file.bin", False)
    assert (tmp_path / "file.bin").read_bytes() == CONTENT


def test_a_server_that_does_not_state_the_length(tmp_path):
    seen = []
    with shelf(length=False) as one:
        fetch_download(one.url, SHA256, tmp_path / "file.bin", False, lambda *counts: seen.append(counts))
    assert seen[-1] == (len(CONTENT), 0)
    assert (tmp_path / "file.bin").read_bytes() == CONTENT


@pytest.mark.parametrize("length", [True, False])
def test_goes_on_after_a_cut(length, tmp_path):
    target = tmp_path / "file.bin"
    with shelf(cuts=[300_000, 200_000], length=length) as one:
        for done in (300_000, 500_000):
            line = refused(fetch_download, one.url, SHA256, target, False)
            assert not target.exists()
            if not length:  # without a length a cut looks like the end: the hash tells
                assert "the SHA-256 of what was downloaded" in line
                return
            assert f"after {done:,} of 1,024,000 bytes" in line
            assert part_of(target).stat().st_size == done
        fetch_download(one.url, SHA256, target, False)
        assert one.asked == [None, "bytes=300000-", "bytes=500000-"]
        assert one.sent == len(CONTENT)
    assert target.read_bytes() == CONTENT
    assert not part_of(target).exists()


@pytest.mark.parametrize(
    ("named", "asked"),
    [
        ({"ranges": False}, [None, "bytes=300000-"]),  # 200: the whole comes again
        ({"shift": 7}, [None, "bytes=300000-", None]),  # 206 for another part than was asked for
    ],
)
def test_begins_again_where_the_server_cannot_go_on(named, asked, tmp_path):
    with shelf(cuts=[300_000], **named) as one:
        refused(fetch_download, one.url, SHA256, tmp_path / "file.bin", False)
        fetch_download(one.url, SHA256, tmp_path / "file.bin", False)
        assert one.asked == asked
    assert (tmp_path / "file.bin").read_bytes() == CONTENT


def test_a_part_that_is_longer_than_the_file(tmp_path):
    target = tmp_path / "file.bin"
    part_of(target).write_bytes(CONTENT + b"more")
    with shelf() as one:
        fetch_download(one.url, SHA256, target, False)
        assert one.asked == [f"bytes={len(CONTENT) + 4}-", None]
    assert target.read_bytes() == CONTENT


def test_a_part_that_is_whole_is_not_downloaded_again(tmp_path):
    target = tmp_path / "file.bin"
    part_of(target).write_bytes(CONTENT)
    fetch_download(f"http://127.0.0.1:{closed_port()}/", SHA256, target, False)
    assert target.read_bytes() == CONTENT


@pytest.mark.parametrize("part", [b"", CONTENT[:1000], b"junk" * 100])
def test_wrong_bytes(part, tmp_path):
    target = tmp_path / "file.bin"
    wrong = CONTENT[:-1] + b"x"
    with shelf(content=wrong) as one:
        if part:
            part_of(target).write_bytes(part)
        line = refused(fetch_download, one.url, SHA256, target, False)
    assert SHA256 in line
    assert hashlib.sha256(part + wrong[len(part) :]).hexdigest() in line
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("named", "words"),
    [
        ({"status": 404}, "the server answers 404 Not Found"),
        ({"status": 503}, "the server answers 503 Service Unavailable"),
        ({"silence": 1.0}, "the server is silent"),
        ({"silence": 1.0, "never": True}, "the server is silent"),
        ({"never": True}, "without response"),
    ],
)
def test_a_server_that_fails(named, words, tmp_path):
    with shelf(**named) as one:
        line = refused(fetch_download, one.url, SHA256, tmp_path / "file.bin", False, timeout=0.3)
    assert one.url in line
    assert words in line
    assert not (tmp_path / "file.bin").exists()
    assert part_of(tmp_path / "file.bin").exists() is ("silence" in named and "never" not in named)


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("http://127.0.0.1:{port}/", "Connection refused"),
        ("http://127.0.0.1:port/", "could not be downloaded"),
        ("http://", "could not be downloaded"),
        ("http://example.invalid:99999999/", "could not be downloaded"),
        ("http://a b/", "could not be downloaded"),
        ("file:///no/such/file", "No such file"),
        ("ftp://127.0.0.1/x", "accepted: http, https, file"),
        ("/etc/hostname", "accepted: http, https, file"),
        ("", "accepted: http, https, file"),
    ],
)
def test_addresses_that_lead_nowhere(url, words, tmp_path):
    assert words in refused(fetch_download, url.format(port=closed_port()), SHA256, tmp_path / "x", False)
    assert list(tmp_path.iterdir()) == []


def test_a_hash_that_is_none(tmp_path):
    assert "64 hexadecimal digits" in refused(fetch_download, "http://127.0.0.1/", "abc", tmp_path / "x", False)


@pytest.mark.parametrize("length", [True, False])
def test_more_bytes_than_accepted(length, tmp_path):
    with shelf(length=length) as one:
        line = refused(fetch_download, one.url, SHA256, tmp_path / "x", False, max_bytes=1000)
    assert "accepted: at most" in line
    assert list(tmp_path.iterdir()) == []


def test_no_room_for_the_file(tmp_path, monkeypatch):
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(fetch.shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with shelf() as one:
        line = refused(fetch_download, one.url, SHA256, tmp_path / "x", False)
    assert "1,024,000 bytes are to come" in line
    assert "has room for 1,000" in line


def test_the_disk_fills_up_while_writing(tmp_path, monkeypatch):
    class Full(io.FileIO):
        def write(self, data):
            return raise_no_room() if self.tell() > 100_000 else super().write(data)

    with shelf() as one:
        with monkeypatch.context() as patched:
            patched.setattr(fetch, "open", lambda path, mode: Full(path, mode), raising=False)
            line = refused(fetch_download, one.url, SHA256, tmp_path / "x", False)
        assert "No space left" in line
        assert part_of(tmp_path / "x").stat().st_size > 100_000
        fetch_download(one.url, SHA256, tmp_path / "x", False)
        assert one.asked[1] is not None
    assert (tmp_path / "x").read_bytes() == CONTENT


def test_an_interrupted_download_goes_on(tmp_path):
    def progress(done, total):
        if done > 400_000:
            raise Stop

    target = tmp_path / "x"
    with shelf() as one:
        with pytest.raises(Stop):
            fetch_download(one.url, SHA256, target, False, progress)
        assert not target.exists()
        done = part_of(target).stat().st_size
        assert done > 400_000
        fetch_download(one.url, SHA256, target, False)
        assert one.asked == [None, f"bytes={done}-"]
    assert target.read_bytes() == CONTENT


def test_a_killed_download_leaves_no_target_and_goes_on(tmp_path):
    target = tmp_path / "x"
    with shelf() as one:
        arguments = f"{one.url!r}, {SHA256!r}, Path({str(target)!r}), False"
        killed_while_fetching(f"fetch.fetch_download({arguments}, progress)", tmp_path)
        assert not target.exists()
        fetch_download(one.url, SHA256, target, False)
    assert target.read_bytes() == CONTENT


def test_two_processes_do_not_download_one_file(tmp_path, monkeypatch):
    fcntl = pytest.importorskip("fcntl")
    monkeypatch.setattr(fetch, "_SECONDS_FOR_LOCK", 0.1)
    part_of(tmp_path / "x").write_bytes(CONTENT[:10])
    other = os.open(part_of(tmp_path / "x"), os.O_RDONLY)
    fcntl.flock(other, fcntl.LOCK_EX)
    with shelf() as one:
        assert "another process" in refused(fetch_download, one.url, SHA256, tmp_path / "x", False)
        assert part_of(tmp_path / "x").read_bytes() == CONTENT[:10]
        os.close(other)
        fetch_download(one.url, SHA256, tmp_path / "x", False)


@pytest.mark.parametrize("others", [0, 1])
def test_a_part_that_another_process_has_just_finished_is_not_written_to(others, tmp_path, monkeypatch):
    pytest.importorskip("fcntl")
    target, part = tmp_path / "x", part_of(tmp_path / "x")
    part.write_bytes(CONTENT)

    def lock_late(file):
        os.replace(part, target)  # what the other process does before it lets go of the lock
        if others:
            part.touch()  # and what a third one may do then
        return True

    monkeypatch.setattr(fetch, "_lock", lock_late)
    assert "just finished" in refused(fetch_download, f"http://127.0.0.1:{closed_port()}/", SHA256, target, False)
    assert target.read_bytes() == CONTENT


def zipped(**files):
    memory = io.BytesIO()
    with zipfile.ZipFile(memory, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return memory.getvalue()


def test_unpacks_an_archive(tmp_path):
    content = zipped(one="1", two="2")
    target = tmp_path / "corpus"
    with shelf(content=content) as one:
        for _ in range(2):
            fetch_download(one.url, hashlib.sha256(content).hexdigest(), target, True)
        assert one.asked == [None]
    assert {path.name: path.read_text() for path in target.iterdir() if not path.name.startswith(".")} == {
        "one": "1",
        "two": "2",
    }
    assert [path.name for path in tmp_path.iterdir()] == ["corpus"]


def test_an_archive_that_is_refused_leaves_no_target(tmp_path):
    memory = io.BytesIO()
    with tarfile.open(fileobj=memory, mode="w:gz") as archive:
        archive.addfile(tarfile.TarInfo("fine"))
        archive.addfile(tarfile.TarInfo("../up"))
    with shelf(content=memory.getvalue()) as one:
        digest = hashlib.sha256(memory.getvalue()).hexdigest()
        assert "'../up' is refused" in refused(fetch_download, one.url, digest, tmp_path / "corpus", True)
        assert [path.name for path in tmp_path.iterdir()] == []


def test_an_archive_that_unpacks_to_too_much(tmp_path):
    content = zipped(zeros=bytes(100_000))
    with shelf(content=content) as one:
        digest = hashlib.sha256(content).hexdigest()
        line = refused(fetch_download, one.url, digest, tmp_path / "c", True, max_unpacked_bytes=50_000)
    assert "unpacks to more than 50,000 bytes" in line


@pytest.mark.parametrize("unpack", [True, False])
def test_a_download_target_that_is_something_else_is_left_alone(unpack, tmp_path):
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "notes").write_text("mine")
    (tmp_path / "file").write_text("mine")
    for name in ("folder", "file"):
        line = refused(fetch_download, "http://127.0.0.1:9/", SHA256, tmp_path / name, unpack)
        assert "move it away" in line
    assert (tmp_path / "folder" / "notes").read_text() == (tmp_path / "file").read_text() == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "folder"]


def test_why_not_pooch(tmp_path):
    """The measured fault: after a cut pooch asks for the whole file again, this project for the rest."""
    pooch = pytest.importorskip("pooch")
    cut = 600_000
    with shelf(cuts=[cut]) as one:
        download = functools.partial(pooch.retrieve, one.url, f"sha256:{SHA256}", "file.bin", tmp_path / "pooch")
        with pytest.raises(Exception, match=r"(?i)incomplete|hash|broken"):
            download()
        download()
        assert one.asked == [None, None]
        assert one.sent == cut + len(CONTENT)
    with shelf(cuts=[cut]) as one:
        refused(fetch_download, one.url, SHA256, tmp_path / "ours", False)
        fetch_download(one.url, SHA256, tmp_path / "ours", False)
        assert one.sent == len(CONTENT)
