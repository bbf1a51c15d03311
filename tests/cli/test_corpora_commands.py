"""``keybench corpora`` list, describe, fetch, verify and audit, on corpora, repositories and servers made here."""

import hashlib
import http.server
import io
import json
import os
import shutil
import stat
import subprocess
import threading
import zipfile

import numpy as np
import pytest

from keybench.corpora import manifest_names, read_manifest
from keybench.corpora.audits import LOOK, PLAUSIBLE
from keybench.key import SCALE_STEPS, Key
from keybench.runs import store

needs_git = pytest.mark.skipif(shutil.which("git") is None, reason="git is not on this machine")

MANIFEST = """schema = 2
id = "{id}"
revision = 1
headline = true
title = "Tunes of the tests"
good_for = "Tests."
licence = "CC0-1.0"
licence_note = "Made for the tests."
commercial_use = "allowed"
derived_use = "allowed"
citation = "@misc{{tests, title = {{Tunes of the tests}}}}"
known_faults = []
group_by = ["title", "opening"]

[origin]
{origin}

[reader]
format = "{format}"

[labels]
space = "modes"
trust = "notated"
policy = "As written."

[counts]
pieces = 3
labelled = 3
with_local_keys = 0
modes = {{ major = 3 }}
"""

TUNES = {f"tunes/{name}.abc": f"X:1\nT:{name}\nL:1/4\nK:{key}\n{key}EG{key}|\n".encode()
         for name, key in (("oak", "C"), ("ash", "G"), ("elm", "D"))}  # fmt: skip


def sha256(data):
    return hashlib.sha256(data).hexdigest()


def hash_list(files):
    return "".join(f"{sha256(data)}  {name}\n" for name, data in sorted(files.items()))


def write_files(folder, files):
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)


@pytest.fixture(autouse=True)
def data(tmp_path, monkeypatch):
    """An empty data folder, and nothing of the person who runs the tests."""
    folder = tmp_path / "data"
    folder.mkdir()
    monkeypatch.setenv("KEYBENCH_DATA", str(folder))
    for name in ("http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", os.devnull)
    monkeypatch.setenv("GIT_CONFIG_NOSYSTEM", "1")
    return folder


@pytest.fixture
def write_manifest(tmp_path):
    """Write a manifest with its hash list; return its path."""

    def write(origin, name="grove", files=TUNES, format_="abc"):
        folder = tmp_path / "manifests"
        folder.mkdir(exist_ok=True)
        if files is not None:
            (folder / f"{name}.sha256").write_text(hash_list(files))
            origin += f'\nhashes = "{name}.sha256"'
        path = folder / f"{name}.toml"
        path.write_text(MANIFEST.format(id=name, origin=origin, format=format_))
        return path

    return write


PINNED = (
    'kind = "git"\nrepository = "https://nowhere.example/grove"\ncommit = "' + 40 * "a" + '"\nfolder = "grove"\n'
    'checkout = ["tunes"]\nfiles = ["tunes/*.abc", "tunes/*.abc.gz"]'
)


def one_line(result, *parts):
    assert result.exit_code == 2, result.output
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("keybench: ")
    assert len(lines[0]) < 1000
    for part in parts:
        assert str(part) in lines[0], lines[0]
    assert result.stdout == ""


def listed(keybench, *paths):
    """What ``list --json`` says of manifests of our own, by id."""
    own = [part for path in paths for part in ("--manifest", path)]
    result = keybench("corpora", "list", "--json", *own)
    assert result.exit_code == 0, result.output
    return {row["id"]: row for row in json.loads(result.stdout)}


# --- list ------------------------------------------------------------------------------------------------------------


def test_every_shipped_corpus_is_listed_also_where_none_is_here(keybench):
    result = keybench("corpora", "list")
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    rows = listed(keybench)
    assert list(rows) == manifest_names()
    header, *lines = result.stdout.split("\n\n")[0].splitlines()
    assert header.split() == ["corpus", "pieces", "local", "keys", "modes", "trust", "licence", "here"]
    assert [line.split()[0] for line in lines] == manifest_names()
    for line, row in zip(lines, rows.values(), strict=True):
        assert f"{row['labelled']:,}" in line
        assert row["licence"] in line
        assert (" * " in line) == (not row["headline"])
        if read_manifest(row["id"]).origin.kind in ("git", "download"):
            assert (row["state"], line.split()[-1]) == ("missing", "missing")
            assert row["missing_files"] > 0
    assert "marked with a star" in result.stdout


def test_a_data_folder_that_does_not_exist_is_an_empty_one(keybench, tmp_path, monkeypatch):
    before = listed(keybench)
    monkeypatch.setenv("KEYBENCH_DATA", str(tmp_path / "nowhere"))
    assert listed(keybench) == before
    assert not (tmp_path / "nowhere").exists()


def test_present_partly_missing(keybench, write_manifest, data):
    path = write_manifest(PINNED)
    states = []
    for here in ([], ["tunes/oak.abc", "tunes/ash.abc"], list(TUNES)):
        write_files(data / "grove", {name: TUNES[name] for name in here})
        row = listed(keybench, path)["grove"]
        text = keybench("corpora", "list", "--manifest", path).stdout
        (line,) = [line for line in text.splitlines() if line.startswith("grove")]
        states.append((row["state"], row["missing_files"], line.split("CC0-1.0")[1].strip()))
    assert states == [("missing", 3, "missing"), ("partly", 1, "1 file missing"), ("present", 0, "present")]


def test_a_compressed_copy_is_as_good(keybench, write_manifest, data):
    import gzip

    path = write_manifest(PINNED)
    write_files(data / "grove", {f"{name}.gz": gzip.compress(content) for name, content in TUNES.items()})
    assert listed(keybench, path)["grove"]["state"] == "present"


def test_labels_that_stand_apart_must_be_here_too(keybench, write_manifest, data):
    path = write_manifest(PINNED, format_="kern-roman-text")
    labels = {"keys/oak.txt": b"m1 C: I\n"}
    (path.parent / "keys.sha256").write_text(hash_list(labels))
    companion = PINNED.replace('"grove"', '"keys"').replace('["tunes/*.abc", "tunes/*.abc.gz"]', '["keys/*.txt"]')
    path.write_text(path.read_text() + f'\n[companion]\n{companion}\nhashes = "keys.sha256"\n')
    write_files(data / "grove", TUNES)
    assert (listed(keybench, path)["grove"]["state"], listed(keybench, path)["grove"]["missing_files"]) == (
        "missing",
        1,
    )
    write_files(data / "keys", labels)
    assert listed(keybench, path)["grove"]["state"] == "present"
    result = keybench("corpora", "verify", path)
    assert result.exit_code == 0, result.output
    assert "against grove.sha256: 3 as they should be" in result.stdout
    assert "against keys.sha256: 1 as they should be" in result.stdout


def test_the_option_names_the_data_folder(keybench, write_manifest, tmp_path):
    path = write_manifest(PINNED)
    write_files(tmp_path / "elsewhere" / "grove", TUNES)
    result = keybench("corpora", "list", "--json", "--manifest", path, "--data", tmp_path / "elsewhere")
    assert {row["id"]: row["state"] for row in json.loads(result.stdout)}["grove"] == "present"


WITH_DATA = [["list"], ["describe", "probe"], ["fetch", "probe"], ["verify"], ["verify", "probe"], ["audit", "probe"]]


@pytest.mark.parametrize("command", [["corpora", *words] for words in WITH_DATA] + [["run", "demo"]])
@pytest.mark.parametrize("kind", ["nothing", "file"])
def test_a_data_folder_that_is_none(keybench, tmp_path, command, kind):
    place = tmp_path / "place"
    if kind == "file":
        place.write_text("x")
    result = keybench(*command, "--data", place)
    if command[1] == "fetch" and kind == "nothing":
        assert result.exit_code == 0, "fetching makes the folder"
        return
    assert result.exit_code == 2
    assert result.stdout == ""
    last = result.stderr.strip().splitlines()[-1]
    assert f"{place}: no such folder; accepted: a folder with local copies of corpora" in last


def test_a_data_folder_that_is_none_is_one_line(keybench, tmp_path):
    one_line(keybench("corpora", "list", "--data", tmp_path / "nothing"), "no such folder")


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("nothing.toml", None, "nothing.toml: no such file"),
        ("nowhere", None, "unknown corpus 'nowhere'; accepted: "),
        ("folder.toml", "folder", "folder.toml: cannot be read"),
        ("empty.toml", "", "empty.toml: the file is empty"),
        ("broken.toml", "[origin", "broken.toml: not valid TOML"),
        ("bare.toml", '[origin]\nfolder = "x"\n', "field 'reader' is missing"),
        ("odd.toml", '[origin]\nfolder = "x"\n[reader]\nformat = "wav"\n', "'wav'; accepted: abc"),
        ("outside.toml", '[origin]\nfolder = "../x"\n[reader]\nformat = "abc"\n', "'../x', which points outside"),
        ("slip.toml", '[origin]\nfolder = "x"\nfile = ["*.abc"]\n[reader]\nformat = "abc"\n', "unknown field 'file'"),
    ],
)
@pytest.mark.parametrize("command", ["list", "describe", "fetch", "verify", "audit", "run"])
def test_wrong_manifests_are_one_line(keybench, tmp_path, command, name, content, says):
    path = tmp_path / name
    if content == "folder":
        path.mkdir()
    elif content is not None:
        path.write_text(content)
    given = path if name.endswith(".toml") else name
    before = sorted(p.name for p in tmp_path.iterdir())
    if command == "run":
        result = keybench("run", "demo", "--quiet", "--manifest", given)
        says = says if name.endswith(".toml") else "unknown corpus"
    elif command == "list":
        result = keybench("corpora", "list", "--manifest", given)
    else:
        result = keybench("corpora", command, given)
    one_line(result, says)
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_corpus_of_ones_own_is_not_said_to_have_no_pieces(keybench, orchard):
    path, _ = orchard
    lines = keybench("corpora", "list", "--manifest", path).stdout.splitlines()
    (row,) = [line.split() for line in lines if line.startswith("orchard")]
    assert row[1] != "0"


# --- describe --------------------------------------------------------------------------------------------------------


def test_describing_says_all_that_the_manifest_states(keybench, write_manifest, data):
    path = write_manifest(PINNED)
    text = keybench("corpora", "describe", path).stdout
    for part in (
        "grove, revision 1: Tunes of the tests", "Tests.", "3, of which 3 labelled and 0 with local keys", "major 3",
        "modes, notated. As written.", "CC0-1.0; commercial use allowed, derived work allowed. Made for the tests.",
        "https://nowhere.example/grove at aaaaaaaaaaaa", "title, opening", "none known", "missing (3 files missing)",
        f"bring it with: keybench corpora fetch {path}", "@misc{tests, title",
    ):  # fmt: skip
        assert part in text, part
    facts = json.loads(keybench("corpora", "describe", path, "--json").stdout)
    assert (facts["id"], facts["state"], facts["missing_files"]) == ("grove", "missing", 3)
    assert facts["origins"][0]["commit"] == 40 * "a"
    assert facts["to_get_it"]
    write_files(data / "grove", TUNES)
    text = keybench("corpora", "describe", path).stdout
    assert "to get it" not in text
    assert json.loads(keybench("corpora", "describe", path, "--json").stdout)["to_get_it"] == ""


@pytest.mark.parametrize("name", manifest_names())
def test_every_shipped_corpus_can_be_described(keybench, name):
    result = keybench("corpora", "describe", name)
    assert result.exit_code == 0, result.output
    assert f"{name}, revision " in result.stdout
    facts = json.loads(keybench("corpora", "describe", name, "--json").stdout)
    assert facts["id"] == name
    assert facts["citation"] in result.stdout


def test_the_advice_on_getting_a_corpus_of_ones_own_works(keybench, write_manifest):
    path = write_manifest(PINNED)
    advice = json.loads(keybench("corpora", "describe", path, "--json").stdout)["to_get_it"]
    argument = advice.split("keybench corpora fetch ")[1].split()[0]
    assert read_manifest(argument).id == "grove"


# --- fetch: git ------------------------------------------------------------------------------------------------------


def git(folder, *arguments):
    identity = ("-c", "user.name=Nobody", "-c", "user.email=nobody@example.org", "-c", "init.defaultBranch=trunk")
    done = subprocess.run(["git", *identity, *arguments], cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


@pytest.fixture
def repository(tmp_path):
    """A repository of two commits; the first is the pinned one."""
    folder = tmp_path / "origin"
    folder.mkdir()
    git(folder, "init", "--quiet")
    write_files(folder, {**TUNES, "essay.txt": b"words " * 100})
    git(folder, "add", "--all")
    git(folder, "commit", "--quiet", "--message", "tunes")
    commit = git(folder, "rev-parse", "HEAD")
    (folder / "tunes" / "oak.abc").write_bytes(b"X:1\nK:F\nF|\n")
    git(folder, "add", "--all")
    git(folder, "commit", "--quiet", "--message", "second thoughts")
    return folder, commit


@pytest.fixture
def pinned(repository, write_manifest):
    folder, commit = repository
    return write_manifest(PINNED.replace("https://nowhere.example/grove", str(folder)).replace(40 * "a", commit))


def snapshot(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".git" not in path.relative_to(folder).parts
    }


@needs_git
def test_what_is_fetched_by_git_verifies(keybench, pinned, data):
    result = keybench("corpora", "fetch", pinned, "--quiet")
    assert result.exit_code == 0, result.output
    assert "grove: its licence binds you: CC0-1.0. Made for the tests." in result.stdout
    assert snapshot(data) == {f"grove/{name}": content for name, content in TUNES.items()}
    assert [path.name for path in data.iterdir()] == ["grove"]
    assert listed(keybench, pinned)["grove"]["state"] == "present"
    result = keybench("corpora", "verify", pinned)
    assert result.exit_code == 0, result.output
    assert "grove: as it should be" in result.stdout
    assert "3 as they should be, 0 missing, 0 changed, 0 unreadable" in result.stdout
    (found,) = json.loads(keybench("corpora", "verify", pinned, "--json").stdout)
    assert found["origins"][0]["present"] == 3
    assert found["origins"][0]["against"].startswith("commit ")


@needs_git
def test_fetching_twice_is_fine(keybench, pinned, data):
    for _ in range(2):
        result = keybench("corpora", "fetch", pinned, "--json")
        assert result.exit_code == 0, result.output
        fetched = json.loads(result.stdout)
        assert fetched["id"] == "grove"
        assert str(data / "grove") in fetched["fetched"][0]
    assert keybench("corpora", "verify", pinned).exit_code == 0


@needs_git
def test_the_beginning_of_a_commit_s_name_will_do(keybench, repository, pinned, data):
    _, commit = repository
    pinned.write_text(pinned.read_text().replace(commit, commit[:7]))
    assert keybench("corpora", "fetch", pinned, "--quiet").exit_code == 0
    assert snapshot(data) == {f"grove/{name}": content for name, content in TUNES.items()}
    assert keybench("corpora", "verify", pinned).exit_code == 0


@needs_git
def test_a_fetched_corpus_that_was_tampered_with_is_not_fetched_over(keybench, pinned, data):
    keybench("corpora", "fetch", pinned, "--quiet")
    (data / "grove" / "tunes" / "oak.abc").write_bytes(b"mine")
    one_line(keybench("corpora", "fetch", pinned, "--quiet"), "tunes/oak.abc, changed", "move it away and fetch again")
    assert (data / "grove" / "tunes" / "oak.abc").read_bytes() == b"mine"


@needs_git
def test_another_folder_in_the_place_is_left_alone(keybench, pinned, data):
    write_files(data / "grove", {"diary.txt": b"private"})
    one_line(keybench("corpora", "fetch", pinned, "--quiet"), "exists already", "move it away")
    assert snapshot(data) == {"grove/diary.txt": b"private"}


@needs_git
@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("origin", "no-such-repository", "no-such-repository"),
        ('checkout = ["tunes"]', 'checkout = ["dances"]', "'dances'"),
    ],
)
def test_what_git_cannot_bring_is_one_line(keybench, pinned, data, old, new, says):
    text = pinned.read_text()
    pinned.write_text(text.replace(f"/{old}", f"/{new}") if old == "origin" else text.replace(old, new))
    one_line(keybench("corpora", "fetch", pinned, "--quiet"), says)
    assert not (data / "grove").exists()


@needs_git
def test_a_commit_that_the_repository_lacks_is_one_line(keybench, repository, pinned, data):
    pinned.write_text(pinned.read_text().replace(repository[1], 40 * "b"))
    one_line(keybench("corpora", "fetch", pinned, "--quiet"), 40 * "b")
    assert not (data / "grove").exists()


@needs_git  # to make the repository
def test_a_machine_without_git_is_one_line(keybench, pinned, data, monkeypatch, tmp_path):
    (tmp_path / "bin").mkdir()
    monkeypatch.setenv("PATH", str(tmp_path / "bin"))
    one_line(keybench("corpora", "fetch", pinned, "--quiet"), "git is not on this machine")


@needs_git
def test_an_error_stands_on_a_line_of_its_own_also_without_quiet(keybench, pinned):
    pinned.write_text(pinned.read_text().replace("/origin", "/no-such-repository"))
    result = keybench("corpora", "fetch", pinned)
    assert result.exit_code == 2
    assert result.stderr.strip().split("\n")[-1].startswith("keybench: ")


# --- fetch: downloads ------------------------------------------------------------------------------------------------


@pytest.fixture
def server():
    """A server on this machine; files are put into the dictionary that it answers from."""
    files = {}

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            found = files.get(self.path)
            self.send_response(404 if found is None else 200)
            self.send_header("Content-Length", str(len(found or b"")))
            self.end_headers()
            self.wfile.write(found or b"")

        def log_message(self, *arguments):
            pass

    served = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    served.daemon_threads = True
    thread = threading.Thread(target=served.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    served.files, served.address = files, f"http://127.0.0.1:{served.server_address[1]}"
    yield served
    served.shutdown()
    served.server_close()
    thread.join()


def zipped(files):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return packed.getvalue()


@pytest.fixture
def offer(server, write_manifest):
    """Put an archive on the server and write a manifest that names it."""

    def put(packed, digest=None, path="/grove.zip"):
        server.files[path] = packed
        return write_manifest(
            f'kind = "download"\nurl = "{server.address}{path}"\nsha256 = "{digest or sha256(packed)}"\n'
            'folder = "grove"\nfiles = ["tunes/*.abc"]'
        )

    return put


def test_what_is_downloaded_verifies_and_can_be_fetched_twice(keybench, offer, server, data):
    path = offer(zipped(TUNES))
    for _ in range(2):
        result = keybench("corpora", "fetch", path, "--quiet")
        assert result.exit_code == 0, result.output
        assert f"grove: {data / 'grove'}: {server.address}/grove.zip (SHA-256 " in result.stdout
        server.files.clear()  # the second time nothing is asked for
    assert {name: content for name, content in snapshot(data / "grove").items() if name in TUNES} == TUNES
    assert [entry.name for entry in data.iterdir()] == ["grove"]
    result = keybench("corpora", "verify", path)
    assert result.exit_code == 0, result.output
    assert "against grove.sha256: 3 as they should be, 0 missing, 0 changed, 0 unreadable" in result.stdout
    assert "more that nothing vouches for" not in result.stdout
    assert listed(keybench, path)["grove"]["state"] == "present"


def test_a_data_folder_that_is_not_there_is_made_for_what_is_fetched(keybench, offer, tmp_path, monkeypatch):
    monkeypatch.setenv("KEYBENCH_DATA", str(tmp_path / "new" / "data"))
    assert keybench("corpora", "fetch", offer(zipped(TUNES)), "--quiet").exit_code == 0
    assert (tmp_path / "new" / "data" / "grove" / "tunes" / "oak.abc").exists()


def test_another_checksum_is_refused_and_nothing_is_left(keybench, offer, data):
    path = offer(zipped(TUNES), digest=64 * "0")
    one_line(keybench("corpora", "fetch", path, "--quiet"), "the SHA-256 of what was downloaded is", 64 * "0")
    assert list(data.iterdir()) == []


def link(target):
    info = zipfile.ZipInfo("tunes/link.abc")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return info, target


TRICKS = {
    "up": ("../evil.abc", b"X:1\nK:C\nC|\n"),
    "further up": ("tunes/../../../evil.abc", b"X:1\nK:C\nC|\n"),
    "absolute": ("/tmp/keybench-evil.abc", b"X:1\nK:C\nC|\n"),
    "backslash": ("tunes\\..\\..\\evil.abc", b"X:1\nK:C\nC|\n"),
    "drive": ("C:/evil.abc", b"X:1\nK:C\nC|\n"),
    "link out": link("../../evil.abc"),
    "link to a place": link("/etc/passwd"),
    "file under a file": ("tunes/oak.abc/evil.abc", b"x"),
}


@pytest.mark.parametrize("trick", TRICKS)
def test_archives_that_reach_out_are_refused(keybench, offer, data, tmp_path, trick):
    before = None
    for _ in range(2):  # also when it is tried again
        result = keybench("corpora", "fetch", offer(zipped(TUNES | dict([TRICKS[trick]]))), "--quiet")
        one_line(result, "is refused")
        after = {str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*")}
        assert not [name for name in after if "evil" in name or "link.abc" in name or "oak" in name]
        assert not (data / "grove").exists()
        assert before in (None, after)
        before = after
    assert not os.path.lexists("/tmp/keybench-evil.abc")
    assert listed(keybench, tmp_path / "manifests" / "grove.toml")["grove"]["state"] == "missing"


def test_nothing_is_left_of_an_archive_that_is_refused(keybench, offer, data):
    keybench("corpora", "fetch", offer(zipped(TUNES | dict([TRICKS["up"]]))), "--quiet")
    assert list(data.iterdir()) == []


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"<html>moved</html>", "not an archive"),
        (zipped(TUNES)[:-30], "damaged or ends too early"),
        (b"", "grove"),
    ],
)
def test_what_is_no_whole_archive_is_refused(keybench, offer, data, content, says):
    one_line(keybench("corpora", "fetch", offer(content), "--quiet"), says)
    assert not (data / "grove").exists()


def test_no_such_file_on_the_server(keybench, offer, server, data):
    path = offer(zipped(TUNES))
    server.files.clear()
    one_line(keybench("corpora", "fetch", path, "--quiet"), "the server answers 404")
    assert list(data.iterdir()) == []


def test_no_server(keybench, offer, server, data):
    path = offer(zipped(TUNES))
    server.shutdown()
    server.server_close()
    one_line(keybench("corpora", "fetch", path, "--quiet"), "could not be downloaded", "check the network")
    assert list(data.iterdir()) == []


def test_something_else_in_the_place_is_left_alone(keybench, offer, data):
    path = offer(zipped(TUNES))
    write_files(data / "grove", {"diary.txt": b"private"})
    one_line(keybench("corpora", "fetch", path, "--quiet"), "exists already and is something else")
    assert snapshot(data) == {"grove/diary.txt": b"private"}


def test_where_there_is_nothing_to_fetch(keybench, orchard):
    path, folder = orchard
    result = keybench("corpora", "fetch", path, "--quiet")
    assert result.exit_code == 0, result.output
    assert f"{folder}: 1 files, folder tunes; nothing to fetch" in result.stdout
    result = keybench("corpora", "fetch", "probe", "--quiet")
    assert result.exit_code == 0
    assert "nothing to fetch: generated by keybench with seed" in result.stdout


def test_a_package_that_is_not_installed(keybench, monkeypatch):
    import importlib.util

    real = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *a: None if name == "music21" else real(name, *a))
    for command in ("fetch", "verify", "audit"):
        result = keybench("corpora", command, "aird", *(["--quiet"] if command == "fetch" else []))
        one_line(result, "corpus 'aird' is not on this machine", "pip install 'keybench[corpora]'")
    assert listed(keybench)["aird"]["state"] == "missing"
    assert "pip install" in keybench("corpora", "describe", "aird").stdout


# --- verify ----------------------------------------------------------------------------------------------------------


@pytest.fixture(params=[pytest.param("git", marks=needs_git), "hash list"])
def here(request, keybench, write_manifest, data):
    """A corpus that is here whole, as a fetch leaves it or copied without its repository: manifest and folder."""
    if request.param == "git":
        path = request.getfixturevalue("pinned")
        assert keybench("corpora", "fetch", path, "--quiet").exit_code == 0
    else:
        path = write_manifest(PINNED)
        write_files(data / "grove", TUNES)
    return path, data / "grove"


def verified(keybench, path):
    result = keybench("corpora", "verify", path, "--json")
    (found,) = json.loads(result.stdout)
    part = found["origins"][0]  # of a checkout against its commit; the hash list comes second
    counts = tuple(part[state] for state in ("present", "missing", "changed", "unreadable"))
    return result.exit_code, found["state"], counts, {file["path"]: file["state"] for file in part["files"]}


def test_missing_changed_and_unreadable_are_told_apart(keybench, here):
    path, folder = here
    assert verified(keybench, path) == (0, "as it should be", (3, 0, 0, 0), {})
    oak, ash, elm = (folder / "tunes" / f"{name}.abc" for name in ("oak", "ash", "elm"))
    oak.unlink()
    assert verified(keybench, path) == (1, "differs", (2, 1, 0, 0), {"tunes/oak.abc": "missing"})
    ash.write_bytes(ash.read_bytes() + b"\n")
    states = {"tunes/oak.abc": "missing", "tunes/ash.abc": "changed"}
    assert verified(keybench, path) == (1, "differs", (1, 1, 1, 0), states)
    elm.unlink()
    elm.mkdir()
    states |= {"tunes/elm.abc": "unreadable"}
    assert verified(keybench, path) == (1, "differs", (0, 1, 1, 1), states)
    result = keybench("corpora", "verify", path)
    assert result.exit_code == 1
    assert "0 as they should be, 1 missing, 1 changed, 1 unreadable" in result.stdout
    for line in ("missing: tunes/oak.abc (not there)", "changed: tunes/ash.abc (its hash is",
                 "unreadable: tunes/elm.abc (a folder stands in its place)"):  # fmt: skip
        assert line in result.stdout


def test_a_pipe_does_not_hold_it_up(keybench, here):
    path, folder = here
    (folder / "tunes" / "oak.abc").unlink()
    os.mkfifo(folder / "tunes" / "oak.abc")
    assert verified(keybench, path) == (1, "differs", (2, 0, 0, 1), {"tunes/oak.abc": "unreadable"})


def test_what_nothing_vouches_for_is_counted_and_no_fault(keybench, write_manifest, data):
    path = write_manifest(PINNED)
    write_files(data / "grove", TUNES | {"tunes/weed.abc": b"X:1\n", "notes.txt": b"not read"})
    result = keybench("corpora", "verify", path)
    assert result.exit_code == 0
    assert "3 as they should be, 0 missing, 0 changed, 0 unreadable, 1 more that nothing vouches for" in result.stdout
    (found,) = json.loads(keybench("corpora", "verify", path, "--json").stdout)
    assert found["origins"][0]["extra"] == ["tunes/weed.abc"]


def test_a_corpus_that_is_not_here_lacks_every_file(keybench, write_manifest):
    code, state, counts, files = verified(keybench, write_manifest(PINNED))
    assert (code, state, counts) == (1, "differs", (0, 3, 0, 0))
    assert set(files.values()) == {"missing"}


def test_ten_files_are_shown_and_the_others_counted(keybench, write_manifest):
    many = {f"tunes/{i:02}.abc": b"%d" % i for i in range(25)}
    path = write_manifest(PINNED, files=many)
    lines = keybench("corpora", "verify", path).stdout.splitlines()
    assert len([line for line in lines if line.startswith("    missing: ")]) == 10
    assert lines[-2] == "    and 15 more; --json lists all"
    assert len(verified(keybench, path)[3]) == 25


def test_nothing_to_compare(keybench):
    assert keybench("corpora", "verify", "probe").exit_code == 3
    result = keybench("corpora", "verify", "probe", "--json")
    assert result.exit_code == 3
    assert json.loads(result.stdout)[0]["origins"][0]["present"] == 0


def test_a_folder_without_a_hash_list(keybench, orchard):
    result = keybench("corpora", "verify", orchard[0])
    assert result.exit_code == 3, "nothing was compared"
    assert "its manifest names no hash list" in result.stdout


def test_a_folder_with_a_hash_list(keybench, orchard):
    path, folder = orchard
    book = (folder / "orchard.abc").read_bytes()
    (path.parent / "orchard.sha256").write_text(hash_list({"orchard.abc": book}))
    path.write_text(path.read_text().replace("[reader]", 'hashes = "orchard.sha256"\n[reader]'))
    assert verified(keybench, path) == (0, "as it should be", (1, 0, 0, 0), {})
    (folder / "orchard.abc").write_bytes(book[:-5])
    assert verified(keybench, path) == (1, "differs", (0, 0, 1, 0), {"orchard.abc": "changed"})


@pytest.mark.parametrize(
    ("text", "says"),
    [("", "is not a hash and a path"), ("abc  x\n", "is not a hash and a path"), (f"{64 * '0'}  ../x\n", "leaves its"),
     (None, "no such file")],
)  # fmt: skip
@pytest.mark.parametrize("command", ["verify", "describe", "list"])
def test_a_damaged_hash_list_is_one_line(keybench, write_manifest, data, text, says, command):
    path = write_manifest(PINNED)
    write_files(data / "grove", TUNES)
    if text is None:
        path.with_suffix(".sha256").unlink()
    else:
        path.with_suffix(".sha256").write_text(text)
    words = ["list", "--manifest"] if command == "list" else [command]
    one_line(keybench("corpora", *words, path), "grove.sha256", says)


def test_without_an_id_every_corpus_that_is_here(keybench, write_manifest, data, monkeypatch):
    """The shipped manifests are exchanged for three of our own: one whole, one with a change, one not here."""
    paths = []
    for name in ("beech", "birch", "cedar"):
        paths.append(str(write_manifest(PINNED.replace('"grove"', f'"{name}"'), name=name)))
    monkeypatch.setattr("keybench.corpora.manifest_names", lambda: [*paths, "probe"])

    def states():
        result = keybench("corpora", "verify", "--json")
        rows = json.loads(result.stdout)
        lines = keybench("corpora", "verify").stdout.splitlines()
        assert [line for line in lines if not line.startswith(" ")] == [f"{r['id']}: {r['state']}" for r in rows]
        return result.exit_code, [row["state"] for row in rows]

    assert states() == (3, ["not here", "not here", "not here", "generated"])
    write_files(data / "beech", TUNES)
    assert states() == (0, ["as it should be", "not here", "not here", "generated"])
    write_files(data / "birch", TUNES | {"tunes/oak.abc": b"other"})
    assert states() == (1, ["as it should be", "differs", "not here", "generated"])


# --- A folder of one's own -------------------------------------------------------------------------------------------

SPELLED = ("=C", "^C", "=D", "^D", "=E", "=F", "^F", "=G", "^G", "=A", "^A", "=B")
WRONG = {3: "F#maj", 9: "Bbmin", 15: "Bmix", 22: "C#dor", 28: "Ebmaj"}
"""Labels, by number of the tune, that have nothing to do with the D major that sounds."""


def orchard_tune(i):
    """Eight bars that end at home, every accidental written out so that no label changes what sounds."""
    rng = np.random.default_rng(500 + i)
    key = Key(2, 0) if i in WRONG else Key(int(rng.integers(12)), (0, 0, 0, 1, 5)[i % 5])
    degree = np.cumsum(rng.choice([-2, -1, -1, 1, 1, 2], size=32)) % 7
    degree[::4] = rng.choice([0, 0, 2, 4], size=8)
    degree[:7], degree[[7, 31]] = np.arange(7), 0
    pitch = SCALE_STEPS[key.mode][degree] + key.tonic
    notes = [SPELLED[int(p) % 12] + "'" * (int(p) // 12) for p in pitch]
    bars = "".join("".join(notes[b : b + 4]) + "|" for b in range(0, 32, 4))
    return f"X:{i + 1}\nT:Windfall {i}\nM:4/4\nL:1/4\nK:{WRONG.get(i, key.to_abc())}\n{bars}\n\n"


@pytest.fixture
def orchard(tmp_path):
    """Thirty tunes in a folder and a manifest that says no more than where they are: manifest and folder."""
    folder = tmp_path / "mine" / "tunes"
    folder.mkdir(parents=True)
    (folder / "orchard.abc").write_text("".join(orchard_tune(i) for i in range(30)))
    path = tmp_path / "mine" / "orchard.toml"
    path.write_text('[origin]\nkind = "folder"\nfolder = "tunes"\n[reader]\nformat = "abc"\n')
    return path, folder


def exact_by(out, stratum="all"):
    rows = json.loads((out / store.SCORES).read_text(encoding="utf-8"))["scores"]
    return {
        row["estimator"]: row
        for row in rows
        if (row["metric"], row["corpus"], row["stratum"]) == ("exact", "all", stratum)
    }


def test_a_folder_of_tunes_runs_from_another_directory(keybench, orchard, tmp_path, monkeypatch):
    away = tmp_path / "away" / "from" / "it"
    away.mkdir(parents=True)
    monkeypatch.chdir(away)
    result = keybench("run", "--manifest", "../../../mine/orchard.toml", "--quiet", "--out", "run", "--jobs", "2")
    assert result.exit_code == 0, result.output
    assert "30 pieces in 30 groups, 5 folds" in result.stdout
    run = json.loads((away / "run" / store.RUN).read_text(encoding="utf-8"))
    (corpus,) = run["corpora"]
    assert (corpus["id"], corpus["pieces"], corpus["labelled"], corpus["missing_files"]) == ("orchard", 30, 30, 0)
    assert run["state"] == "finished"
    exact = exact_by(away / "run")
    assert {row["n"] for row in exact.values()} == {30}
    # Twenty-five labels are right and every tune ends at home with all of its scale heard.
    assert exact["last-note"]["value"] == pytest.approx(25 / 30)
    assert exact["most-common-key"]["value"] < 0.3
    assert exact["krumhansl-kessler"]["value"] > exact["most-common-key"]["value"]
    for name in ("report.md", "index.html"):
        assert "orchard" in (away / "run" / name).read_text(encoding="utf-8")
    assert sorted(entry.name for entry in orchard[0].parent.iterdir()) == ["orchard.toml", "tunes"]


def test_two_manifests_of_ones_own_run_together(keybench, orchard, tmp_path):
    path, _ = orchard
    other = tmp_path / "mine" / "meadow.toml"
    other.write_text(path.read_text().replace('"tunes"', '"meadow"'))
    (tmp_path / "mine" / "meadow").mkdir()
    (tmp_path / "mine" / "meadow" / "a.abc").write_text("".join(orchard_tune(i) for i in range(40, 50)))
    result = keybench(
        "run", "demo", "--manifest", path, "--manifest", other, "--quiet", "--out", tmp_path / "run", "--jobs", "2"
    )
    assert result.exit_code == 0, result.output
    run = json.loads((tmp_path / "run" / store.RUN).read_text(encoding="utf-8"))
    assert [(c["id"], c["pieces"]) for c in run["corpora"]] == [("orchard", 30), ("meadow", 10)]
    one_line(keybench("run", "demo", "--manifest", path, "--manifest", path, "--quiet"), "'orchard' twice")


def test_an_empty_folder_of_ones_own_is_one_line(keybench, orchard):
    path, folder = orchard
    (folder / "orchard.abc").unlink()
    one_line(keybench("run", "demo", "--manifest", path, "--quiet"), "corpus 'orchard'", "tunes holds no ")
    one_line(keybench("corpora", "audit", path), "tunes holds no ")
    assert listed(keybench, path)["orchard"]["state"] == "missing"


# --- audit -----------------------------------------------------------------------------------------------------------


def wrong_pieces():
    return {f"orchard:orchard/{i + 1}" for i in WRONG}


def test_an_audit_names_the_wrong_labels(keybench, orchard):
    path, _ = orchard
    result = keybench("corpora", "audit", path, "--jobs", "2")
    assert result.exit_code == 0, result.output
    *lines, empty, last = result.stdout.splitlines()
    assert empty == ""
    assert last == "orchard: 5 of 30 labels to look at (16.7%); an audit flags and never changes a truth"
    assert {line.split(": ")[0] for line in lines} == wrong_pieces()
    assert all("ends elsewhere" in line and "0 of 4 methods agree" in line for line in lines)
    assert not (path.parent / "audits").exists()


def test_an_audit_as_json_and_of_all_pieces(keybench, orchard):
    path, _ = orchard
    shown = json.loads(keybench("corpora", "audit", path, "--json").stdout)
    assert {row["piece"] for row in shown} == wrong_pieces()
    every = json.loads(keybench("corpora", "audit", path, "--json", "--all").stdout)
    assert len(every) == 30
    assert {row["piece"] for row in every if row["look"]} == wrong_pieces()
    assert len(keybench("corpora", "audit", path, "--all").stdout.splitlines()) == 32


def test_a_kept_audit_gives_strata_of_scores(keybench, orchard, tmp_path):
    path, _ = orchard
    result = keybench("corpora", "audit", path, "--save", "--json")
    assert result.exit_code == 0, result.output
    kept = path.parent / "audits" / "orchard.json"
    assert result.stderr.strip() == f"kept in {kept}"
    assert {row["piece"] for row in json.loads(result.stdout)} == set(json.loads(kept.read_text())["look"])
    assert keybench("run", "demo", "--manifest", path, "--quiet", "--out", tmp_path / "run").exit_code == 0
    all_, plausible = exact_by(tmp_path / "run"), exact_by(tmp_path / "run", PLAUSIBLE)
    assert (all_["last-note"]["n"], plausible["last-note"]["n"]) == (30, 25)
    assert all_["last-note"]["value"] == pytest.approx(25 / 30)  # the truths are as they were
    assert plausible["last-note"]["value"] == 1.0
    assert exact_by(tmp_path / "run", LOOK) == {}  # five are too few for scores of their own
    assert f"| {PLAUSIBLE} | 25 |" in (tmp_path / "run" / "report.md").read_text(encoding="utf-8")
    assert PLAUSIBLE in (tmp_path / "run" / "index.html").read_text(encoding="utf-8")


def test_too_few_tunes_to_audit_is_one_line(keybench, orchard):
    path, folder = orchard
    (folder / "orchard.abc").write_text("".join(orchard_tune(i) for i in range(4)))
    one_line(keybench("corpora", "audit", path), "orchard: 4 groups of related pieces", "at least 5")


def test_a_damaged_audit_is_one_line(keybench, orchard):
    path, _ = orchard
    (path.parent / "audits").mkdir()
    (path.parent / "audits" / "orchard.json").write_text("{")
    one_line(keybench("run", "demo", "--manifest", path, "--quiet"), "orchard.json: not an audit", "make it again with")


def test_a_damaged_audit_can_be_made_again_as_the_message_says(keybench, orchard):
    path, _ = orchard
    (path.parent / "audits").mkdir()
    (path.parent / "audits" / "orchard.json").write_text("{")
    assert keybench("corpora", "audit", path, "--save").exit_code == 0


def test_a_place_that_cannot_be_written_is_one_line(keybench, orchard):
    path, _ = orchard
    (path.parent / "audits").write_text("a file")
    result = keybench("corpora", "audit", path, "--save")
    assert result.exit_code == 2
    assert len(result.stderr.strip().splitlines()) == 1
    assert "audits" in result.stderr


@pytest.mark.parametrize("words", [["describe"], ["fetch"], ["audit"], ["audit", "probe", "--jobs", "0"], ["dance"]])
def test_wrong_usage_is_exit_code_two(keybench, words):
    result = keybench("corpora", *words)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "Error: " in result.stderr.strip().splitlines()[-1]


@pytest.mark.parametrize("words", [[], ["list"], ["describe"], ["fetch"], ["verify"], ["audit"]])
def test_help_says_what_a_command_is_for(keybench, words):
    result = keybench("corpora", *words, "--help")
    assert result.exit_code == 0
    assert "Usage: " in result.stdout
    assert len(result.stdout.splitlines()) > 5
