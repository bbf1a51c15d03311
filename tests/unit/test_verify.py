"""Lists of hashes and comparing a corpus with them, or with a commit.

Checked against the sha256sum program and against git itself; the digests of known texts are those of FIPS 180-4's
examples.
"""

import builtins
import errno
import gzip
import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keybench.corpora import hashes as hashes_module
from keybench.corpora import verify
from keybench.corpora.hashes import hash_bytes, hash_file, path_fault, read_hashes, write_hashes
from keybench.corpora.verify import FileState, extra_files, verify_files, verify_git
from keybench.errors import FetchError, ManifestError

DIGEST = "a" * 64
# FIPS 180-4 example texts, digests as NIST publishes them (csrc.nist.gov, "SHA256" examples).
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
TWO_BLOCKS = "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"


def one_line(error):
    text = str(error.value)
    assert text
    assert "\n" not in text
    assert len(text) < 500
    return text


def test_hashes_of_known_texts(tmp_path):
    assert hash_bytes(b"abc") == ABC
    (tmp_path / "x").write_bytes(b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq")
    assert hash_file(tmp_path / "x") == TWO_BLOCKS


def test_a_long_file_is_hashed_in_pieces(tmp_path, monkeypatch):
    content = os.urandom(100_000)
    (tmp_path / "x").write_bytes(content)
    monkeypatch.setattr(hashes_module, "_CHUNK", 999)
    assert hash_file(tmp_path / "x") == hashlib.sha256(content).hexdigest()


FILES = {"kern/b.krn": b"**kern\n", "kern/a b.krn": b"", "näme.abc": b"X:1\n", "a.tsv.gz": gzip.compress(b"1\t2\n")}


def corpus(root):
    for name, content in FILES.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(content)
    return {name: hash_bytes(content) for name, content in FILES.items()}


def test_lists_are_those_of_sha256sum(tmp_path):
    if shutil.which("sha256sum") is None:
        pytest.skip("no sha256sum on this machine")
    root = tmp_path / "corpus"
    ours = corpus(root)
    for option in ("--text", "--binary"):
        theirs = subprocess.run(["sha256sum", option, *FILES], cwd=root, capture_output=True, check=True).stdout
        (tmp_path / "theirs").write_bytes(theirs)
        assert read_hashes(tmp_path / "theirs") == ours
    write_hashes(tmp_path / "ours", ours)
    check = subprocess.run(["sha256sum", "--check", "--strict", str(tmp_path / "ours")], cwd=root, capture_output=True)
    assert (check.returncode, check.stdout.decode().count(": OK")) == (0, len(FILES))


def test_a_written_list_is_sorted_and_whole(tmp_path):
    write_hashes(tmp_path / "list", {"b": DIGEST, "a": ABC})
    assert (tmp_path / "list").read_text() == f"{ABC}  a\n{DIGEST}  b\n"
    assert [path.name for path in tmp_path.iterdir()] == ["list"]


names = st.text(st.characters(blacklist_categories=("Cs",)), min_size=1, max_size=30)


@given(st.dictionaries(names, st.binary(max_size=5).map(hash_bytes), min_size=1, max_size=5))
def test_what_is_written_is_read_back(tmp_path_factory, mapping):
    path = tmp_path_factory.mktemp("list") / "list"
    if any(path_fault(name) for name in mapping):
        with pytest.raises(ManifestError):
            write_hashes(path, mapping)
        assert not path.exists()
    else:
        write_hashes(path, mapping)
        assert read_hashes(path) == mapping


@pytest.mark.parametrize("text", [f"{DIGEST}  a", f"{DIGEST}  a\r\n", f"{DIGEST.upper()} *a\n"])
def test_other_ways_of_writing_a_list(text, tmp_path):
    (tmp_path / "list").write_bytes(text.encode())
    assert read_hashes(tmp_path / "list") == {"a": DIGEST}


BAD_LISTS = [
    (b"", "line 1"),
    (b"\n", "line 1"),
    (f"{DIGEST}  a\n\n".encode(), "line 2"),
    (f"{DIGEST[:-1]}  a\n".encode(), "not a hash and a path"),
    (f"{DIGEST}a  a\n".encode(), "not a hash and a path"),
    (f"{DIGEST} a\n".encode(), "not a hash and a path"),
    (f"{DIGEST}\ta\n".encode(), "not a hash and a path"),
    (f"{DIGEST}  \n".encode(), "not a hash and a path"),
    (f"{'g' * 64}  a\n".encode(), "not a hash and a path"),
    (f"\\{DIGEST}  a\\nb\n".encode(), "not a hash and a path"),  # how sha256sum writes a line break in a name
    (f"SHA256 (a) = {DIGEST}\n".encode(), "not a hash and a path"),  # the format of BSD
    (f"{DIGEST}  /etc/passwd\n".encode(), "not relative"),
    (f"{DIGEST}  C:/x\n".encode(), "not relative"),
    (f"{DIGEST}  a/../../x\n".encode(), "leaves its folder"),
    (f"{DIGEST}  ..\n".encode(), "leaves its folder"),
    (f"{DIGEST}  a\\b\n".encode(), "backslash"),
    (f"{DIGEST}  ./a\n".encode(), "empty step"),
    (f"{DIGEST}  a//b\n".encode(), "empty step"),
    (f"{DIGEST}  a/\n".encode(), "empty step"),
    (f"{DIGEST}  a\0b\n".encode(), "control character"),
    (f"{DIGEST}  a\n{ABC}  a\n".encode(), "line 2: 'a' is listed twice"),
    (b"\xff\xfe" + f"{DIGEST}  a\n".encode("utf-16-le"), "not UTF-8"),
    (b"\xf0" * 300, "not UTF-8"),
    (f"{DIGEST}  {'n' * 5000}\n".encode(), "5,000 characters"),
    (b"x" * 1_000_000, "not a hash and a path"),
]


@pytest.mark.parametrize(("content", "words"), BAD_LISTS, ids=range(len(BAD_LISTS)))
def test_lists_that_are_not_accepted(content, words, tmp_path):
    (tmp_path / "list").write_bytes(content)
    with pytest.raises(ManifestError) as error:
        read_hashes(tmp_path / "list")
    assert words in one_line(error)


def test_a_list_that_is_too_long_is_refused_unread(tmp_path):
    with open(tmp_path / "list", "wb") as file:
        file.truncate(2**40)  # takes no room on disk
    with pytest.raises(ManifestError) as error:
        read_hashes(tmp_path / "list")
    assert "1,099,511,627,776 bytes" in one_line(error)


def test_a_list_that_cannot_be_read(tmp_path):
    for path, words in ((tmp_path / "nowhere", "no such file"), (tmp_path, "cannot be read")):
        with pytest.raises(ManifestError) as error:
            read_hashes(path)
        assert words in one_line(error)


@pytest.mark.parametrize("mapping", [{}, {"../a": DIGEST}, {"a\nb": DIGEST}, {"a": "abc"}, {"a": DIGEST.upper()}])
def test_lists_that_are_not_written(mapping, tmp_path):
    with pytest.raises(ManifestError) as error:
        write_hashes(tmp_path / "list", mapping)
    one_line(error)
    assert list(tmp_path.iterdir()) == []


# --- against a list ----------------------------------------------------------------------------------------------


def states(found):
    return {state.path: state.state for state in found}


def test_an_untouched_corpus_is_present(tmp_path):
    expected = [FileState(name, "present", "") for name in sorted(FILES)]
    assert verify_files(tmp_path, corpus(tmp_path)) == expected


def test_the_four_states(tmp_path):
    hashes = corpus(tmp_path)
    (tmp_path / "kern" / "b.krn").write_bytes(b"**kern \n")
    (tmp_path / "kern" / "a b.krn").unlink()
    (tmp_path / "näme.abc").unlink()
    (tmp_path / "näme.abc").mkdir()
    found = verify_files(tmp_path, hashes)
    assert states(found) == {
        "a.tsv.gz": "present",
        "kern/a b.krn": "missing",
        "kern/b.krn": "changed",
        "näme.abc": "unreadable",
    }
    assert {state.state for state in found} == set(verify.STATES)
    details = {state.path: state.detail for state in found}
    assert details["a.tsv.gz"] == ""
    assert hash_bytes(b"**kern \n")[:12] in details["kern/b.krn"]
    assert hashes["kern/b.krn"][:12] in details["kern/b.krn"]
    assert details["näme.abc"] == "a folder stands in its place"


@pytest.mark.parametrize("keep", [0, 1, 10, -1])
def test_a_compressed_file_that_was_cut_short_is_changed(keep, tmp_path):
    hashes = corpus(tmp_path)
    (tmp_path / "a.tsv.gz").write_bytes(FILES["a.tsv.gz"][:keep])
    assert states(verify_files(tmp_path, hashes))["a.tsv.gz"] == "changed"


def test_the_same_bytes_compressed_anew_are_changed(tmp_path):
    hashes = corpus(tmp_path)
    (tmp_path / "a.tsv.gz").write_bytes(gzip.compress(b"1\t2\n", mtime=12345))
    assert states(verify_files(tmp_path, hashes))["a.tsv.gz"] == "changed"


def test_without_the_folder_all_is_missing(tmp_path):
    hashes = {"a": DIGEST, "b/c": DIGEST}
    (tmp_path / "file").write_text("")
    for root in (tmp_path / "nowhere", tmp_path / "file"):
        assert states(verify_files(root, hashes)) == {"a": "missing", "b/c": "missing"}


@pytest.mark.parametrize("number", [errno.EIO, errno.EACCES, errno.ESTALE, errno.EMFILE])
def test_a_file_that_the_system_does_not_give_is_unreadable(number, tmp_path, monkeypatch):
    # Permissions do not stop the superuser, so that the system's answer is made here.
    hashes = corpus(tmp_path)
    really = builtins.open

    def open_or_fail(path, *arguments, **named):
        if Path(path).name == "b.krn":
            raise OSError(number, os.strerror(number))
        return really(path, *arguments, **named)

    monkeypatch.setattr(hashes_module, "open", open_or_fail, raising=False)
    found = {state.path: state for state in verify_files(tmp_path, hashes)}
    assert found["kern/b.krn"] == FileState("kern/b.krn", "unreadable", os.strerror(number))
    assert sorted(state.state for state in found.values()) == ["present"] * 3 + ["unreadable"]


def test_a_disk_that_fails_in_the_middle_of_a_file(tmp_path, monkeypatch):
    hashes = corpus(tmp_path)

    class Failing:
        def update(self, data):
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(hashes_module.hashlib, "sha256", Failing)
    assert states(verify_files(tmp_path, {"kern/b.krn": hashes["kern/b.krn"]})) == {"kern/b.krn": "unreadable"}


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="permissions do not stop the superuser")
def test_a_file_that_may_not_be_read(tmp_path):
    hashes = corpus(tmp_path)
    (tmp_path / "kern" / "b.krn").chmod(0o000)
    assert states(verify_files(tmp_path, hashes))["kern/b.krn"] == "unreadable"


@pytest.mark.parametrize("put", ["pipe", "loop", "dangling", "device"])
def test_what_is_no_ordinary_file(put, tmp_path):
    path = tmp_path / "a"
    if put == "pipe":
        os.mkfifo(path)  # to open it would be to wait for ever
    else:
        path.symlink_to({"loop": "a", "dangling": "nowhere", "device": "/dev/zero"}[put])
    expected = "missing" if put == "dangling" else "unreadable"
    assert states(verify_files(tmp_path, {"a": DIGEST})) == {"a": expected}


def test_a_link_to_the_content_is_as_good_as_the_content(tmp_path):
    hashes = corpus(tmp_path / "elsewhere")
    (tmp_path / "corpus").symlink_to("elsewhere")
    assert set(states(verify_files(tmp_path / "corpus", hashes)).values()) == {"present"}


def test_extra_files(tmp_path):
    hashes = corpus(tmp_path)
    for name in ("kern/new.krn", "kern/deep/er.krn", "kern/readme", ".git/x.krn"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("")
    (tmp_path / "folder.krn").mkdir()
    assert extra_files(tmp_path, hashes, ["kern/*.krn"]) == ["kern/new.krn"]
    assert extra_files(tmp_path, hashes, ["**/*.krn", "kern/*.krn"]) == ["kern/deep/er.krn", "kern/new.krn"]
    assert extra_files(tmp_path, hashes, ["*.gz"]) == []
    assert extra_files(tmp_path, {}, ["*.gz", "*.abc"]) == ["a.tsv.gz", "näme.abc"]
    assert extra_files(tmp_path / "nowhere", hashes, ["**/*"]) == []


@pytest.mark.parametrize("glob", ["", "/etc/*", "../*", "a/../../*", "**x**/y", "C:/x"])
def test_patterns_that_are_not_accepted(glob, tmp_path):
    if glob == "**x**/y":
        try:
            list(tmp_path.glob(glob))
        except ValueError:
            pass
        else:
            pytest.skip("this Python accepts the pattern")
    with pytest.raises(ManifestError) as error:
        extra_files(tmp_path, {}, [glob])
    one_line(error)


@given(st.text(max_size=20))
def test_paths_that_are_accepted_stay_in_the_folder(name):
    if path_fault(name) == "":
        assert os.path.normpath(name) == name
        assert os.path.commonpath(["/root", os.path.normpath(f"/root/{name}")]) == "/root"
        assert os.path.normpath(f"/root/{name}") != "/root"


# --- against a commit --------------------------------------------------------------------------------------------

needs_git = pytest.mark.skipif(shutil.which("git") is None, reason="git is not on this machine")


def git(folder, *arguments):
    identity = ("-c", "user.name=Nobody", "-c", "user.email=nobody@example.org")
    done = subprocess.run(["git", *identity, *arguments], cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


@pytest.fixture
def checkout(tmp_path, monkeypatch):
    """A checkout and its first commit; a second commit follows, and HEAD is at the first."""
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", os.devnull)
    monkeypatch.setenv("GIT_CONFIG_NOSYSTEM", "1")
    root = tmp_path / "checkout"
    corpus(root)
    git(root, "init", "--quiet")
    (root / "run.sh").write_text("#!/bin/sh\n")
    (root / "run.sh").chmod(0o755)
    (root / "link").symlink_to("näme.abc")
    git(root, "add", "--all")
    git(root, "commit", "--quiet", "-m", "one")
    first = git(root, "rev-parse", "HEAD")
    (root / "kern" / "b.krn").write_bytes(b"**kern\n*-\n")
    git(root, "commit", "--quiet", "-a", "-m", "two")
    git(root, "checkout", "--quiet", first)
    return root, first


@needs_git
def test_a_checkout_is_present(checkout):
    root, commit = checkout
    found = verify_git(root, commit, [])
    assert states(found) == dict.fromkeys(sorted([*FILES, "run.sh", "link"]), "present")
    assert [state.path for state in found] == sorted([*FILES, "run.sh", "link"])
    assert states(verify_git(root, commit.upper(), ["kern", "link"])) == dict.fromkeys(
        ["kern/a b.krn", "kern/b.krn", "link"], "present"
    )


@needs_git
def test_another_commit_than_the_one_that_is_checked_out(checkout):
    root, _ = checkout
    second = git(root, "rev-parse", "@{1}")
    found = states(verify_git(root, second))
    assert found.pop("kern/b.krn") == "changed"
    assert set(found.values()) == {"present"}


@needs_git
def test_the_index_is_not_trusted(checkout):
    root, commit = checkout
    (root / "kern" / "b.krn").write_bytes(b"**harm\n")
    git(root, "update-index", "--assume-unchanged", "kern/b.krn")
    (root / "näme.abc").write_bytes(b"X:2\n")
    git(root, "update-index", "--skip-worktree", "näme.abc")
    (root / "a.tsv.gz").write_bytes(b"other")
    git(root, "add", "a.tsv.gz")
    assert git(root, "diff", "--name-only") == ""  # git itself sees no change
    found = states(verify_git(root, commit))
    changed = {name for name, state in found.items() if state == "changed"}
    assert changed == {"kern/b.krn", "näme.abc", "a.tsv.gz"}
    (root / ".git" / "index").unlink()
    assert states(verify_git(root, commit)) == found


@needs_git
def test_other_line_endings_are_a_change(checkout):
    root, commit = checkout
    git(root, "config", "core.autocrlf", "true")
    (root / "kern" / "b.krn").unlink()
    git(root, "checkout", "--", "kern/b.krn")
    assert (root / "kern" / "b.krn").read_bytes() == b"**kern\r\n"
    assert git(root, "status", "--porcelain") == ""  # to git it is the same file
    assert states(verify_git(root, commit, ["kern"])) == {"kern/a b.krn": "present", "kern/b.krn": "changed"}


@needs_git
def test_a_replacement_of_the_commit_is_not_followed(checkout):
    root, commit = checkout
    (root / "kern" / "b.krn").write_bytes(b"**kern\n*-\n")
    git(root, "replace", commit, git(root, "rev-parse", "@{1}"))
    assert states(verify_git(root, commit, ["kern"]))["kern/b.krn"] == "changed"


@needs_git
def test_missing_unreadable_and_links(checkout):
    root, commit = checkout
    (root / "kern" / "a b.krn").unlink()
    (root / "kern" / "b.krn").unlink()
    (root / "kern" / "b.krn").mkdir()
    (root / "run.sh").unlink()
    (root / "run.sh").symlink_to("link")
    assert states(verify_git(root, commit)) == {
        "a.tsv.gz": "present",
        "kern/a b.krn": "missing",
        "kern/b.krn": "unreadable",
        "link": "present",
        "näme.abc": "present",
        "run.sh": "changed",
    }
    (root / "link").unlink()
    (root / "link").symlink_to("/etc/passwd")
    assert states(verify_git(root, commit, ["link"])) == {"link": "changed"}
    (root / "link").unlink()
    (root / "link").write_text("näme.abc")  # as a checkout without symbolic links has it
    assert states(verify_git(root, commit, ["link"])) == {"link": "present"}


@needs_git
def test_contents_are_named_as_git_names_them(checkout):
    root, commit = checkout
    for file in verify.tree_files(root / ".git", commit, []):
        assert file.blob == git(root, "rev-parse", f"{commit}:{file.path}")
        if not file.is_link:
            assert verify._blob_name(root / file.path) == git(root, "hash-object", "--no-filters", file.path)


@needs_git
@pytest.mark.parametrize(
    ("commit", "folders", "words"),
    [
        ("0" * 40, [], "does not hold the commit"),
        ("HEAD", [], "40 hexadecimal digits"),
        ("{first}", ["nowhere"], "no files in 'nowhere'"),
        ("{first}", ["ker"], "no files in 'ker'"),
        ("{first}", ["kern", "ker"], "no files in 'ker'"),
        ("{first}", ["../x"], "leaves its folder"),
        ("{first}", ["--help"], "no files in '--help'"),
        ("{first}", [":(top)kern"], "no files in ':(top)kern'"),
    ],
)
def test_what_cannot_be_compared_with_a_commit(commit, folders, words, checkout):
    root, first = checkout
    with pytest.raises(FetchError) as error:
        verify_git(root, commit.format(first=first), folders)
    assert words in one_line(error)


@needs_git
def test_a_folder_inside_another_checkout_is_no_checkout(checkout):
    root, commit = checkout
    with pytest.raises(FetchError) as error:
        verify_git(root / "kern", commit)
    assert "not a git checkout" in one_line(error)
    (root / "kern" / ".git").mkdir()
    with pytest.raises(FetchError) as error:
        verify_git(root / "kern", commit)
    assert "does not hold the commit" in one_line(error)


@needs_git
@pytest.mark.parametrize("kept", ["blob:none", "tree:0"])
def test_a_partial_copy_asks_its_origin_for_nothing(kept, checkout, tmp_path):
    root, commit = checkout
    git(root, "config", "uploadpack.allowFilter", "true")
    git(tmp_path, "clone", "--quiet", "--no-checkout", f"--filter={kept}", f"file://{root}", "partial")
    partial = tmp_path / "partial"
    before = git(partial, "count-objects", "-v")
    if kept == "blob:none":
        assert set(states(verify_git(partial, commit)).values()) == {"missing"}
    else:  # the names of the files are not there either; left to itself, git would ask the origin for them
        with pytest.raises(FetchError) as error:
            verify_git(partial, commit)
        one_line(error)
    assert git(partial, "count-objects", "-v") == before


@needs_git
def test_a_checkout_of_someone_else(checkout, monkeypatch):
    root, commit = checkout
    monkeypatch.setenv("GIT_TEST_ASSUME_DIFFERENT_OWNER", "1")
    refused = subprocess.run(["git", "status"], cwd=root, capture_output=True, text=True)
    if "dubious ownership" not in refused.stderr:
        pytest.skip("this git does not look at owners")
    assert set(states(verify_git(root, commit)).values()) == {"present"}


def test_without_git(tmp_path, monkeypatch):
    (tmp_path / ".git").mkdir()
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(FetchError) as error:
        verify_git(tmp_path, "0" * 40)
    assert "git is not on this machine" in one_line(error)
