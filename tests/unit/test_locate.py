"""Where the files of a corpus are looked for, and the three kinds of "not there": absent, missing, unreadable."""

import hashlib
import os
import sys
import threading

import pytest

from keybench.corpora import load, loading, locate, read_manifest
from keybench.errors import CorpusMissingError, ManifestError
from keybench.resources import cache_folder, data_folder

TUNE = "X:1\nT:Lamp by the quay\nL:1/4\nK:Ador\nABcd|\n"

MANIFEST = """
schema = 2
id = "harbour"
revision = 1
headline = true
title = "Harbour tunes of our own"
good_for = "Tests."
licence = "CC0-1.0"
licence_note = "None."
commercial_use = "allowed"
derived_use = "allowed"
citation = "@misc{harbour, title = {Harbour tunes}}"
known_faults = []
group_by = ["title"]
[origin]
kind = "git"
repository = "https://example.org/harbour.git"
commit = "0123456789012345678901234567890123456789"
checkout = ["tunes"]
folder = "harbour"
files = ["tunes/*.abc", "more/*.abc"]
hashes = "harbour.sha256"
[reader]
format = "abc"
[labels]
space = "modes"
trust = "notated"
policy = "As written."
[counts]
pieces = 3
labelled = 3
modes = { dorian = 3 }
"""


def line(path, text=TUNE):
    """A line of a hash list, as sha256sum writes it."""
    return f"{hashlib.sha256(text.encode()).hexdigest()}  {path}\n"


@pytest.fixture
def data(tmp_path, monkeypatch):
    """A data folder, as KEYBENCH_DATA names it, and a cache of its own."""
    monkeypatch.setenv("KEYBENCH_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("KEYBENCH_CACHE", str(tmp_path / "cache"))
    (tmp_path / "data").mkdir()
    return tmp_path / "data"


def write(tmp_path, *names, text=MANIFEST):
    """Write the manifest and a hash list of some files, and return the manifest's path."""
    (tmp_path / "harbour.toml").write_text(text)
    (tmp_path / "harbour.sha256").write_text("".join(map(line, names)) if names else line("tunes/one.abc"))
    return str(tmp_path / "harbour.toml")


def put(data, *names):
    for name in names:
        path = data / "harbour" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(TUNE)


def caches(tmp_path):
    return list((tmp_path / "cache").rglob("*.npz"))


# --- Folders ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("folder", "variable", "xdg", "usual"),
    [
        (data_folder, "KEYBENCH_DATA", "XDG_DATA_HOME", ".local/share/keybench"),
        (cache_folder, "KEYBENCH_CACHE", "XDG_CACHE_HOME", ".cache/keybench"),
    ],
)
def test_the_variable_then_the_users_folder_then_the_usual_one(tmp_path, monkeypatch, folder, variable, xdg, usual):
    # Source: XDG Base Directory Specification 0.8, "Environment variables": unset or empty means the default.
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv(xdg, str(tmp_path / "xdg"))
    monkeypatch.setenv(variable, str(tmp_path / "chosen"))
    assert folder() == tmp_path / "chosen"
    for unset in (lambda name: monkeypatch.setenv(name, ""), lambda name: monkeypatch.delenv(name)):
        unset(variable)
        monkeypatch.setenv(xdg, str(tmp_path / "xdg"))
        assert folder() == tmp_path / "xdg" / "keybench"
        unset(xdg)
        assert folder() == tmp_path / "home" / usual


def test_repositories_and_downloads_are_below_the_data_folder(data, tmp_path, monkeypatch):
    manifest = read_manifest(write(tmp_path))
    assert locate.origin_root(manifest, manifest.origin) == data / "harbour"
    monkeypatch.setenv("KEYBENCH_DATA", "elsewhere")
    assert str(locate.origin_root(manifest, manifest.origin)) == os.path.join("elsewhere", "harbour")


def test_a_corpus_in_the_data_folder_loads(data, tmp_path):
    put(data, "tunes/one.abc", "tunes/two.abc", "more/three.abc", "tunes/words.txt", "other/four.abc")
    corpus = load(write(tmp_path, "tunes/one.abc", "tunes/two.abc", "more/three.abc"))
    assert corpus.pieces.tolist() == ["harbour:three/1", "harbour:one/1", "harbour:two/1"]
    assert (corpus.missing, corpus.problems) == ([], [])


# --- Absent ----------------------------------------------------------------------------------------------------------


def absent(path):
    with pytest.raises(CorpusMissingError) as caught:
        load(path)
    message = str(caught.value)
    assert "\n" not in message
    assert "'harbour'" in message
    return message


def test_an_absent_folder_says_how_to_get_it(data, tmp_path):
    message = absent(write(tmp_path))
    assert f"{data / 'harbour'} is not there" in message
    assert f"keybench corpora fetch {tmp_path / 'harbour.toml'}" in message
    assert "KEYBENCH_DATA" in message


def test_a_file_in_place_of_the_folder(data, tmp_path):
    (data / "harbour").write_text("not a folder")
    path = write(tmp_path)
    assert f"is not there; bring it with: keybench corpora fetch {path}" in absent(path)


def test_a_folder_without_the_files_says_what_it_lacks(data, tmp_path):
    put(data, "tunes/words.txt")
    message = absent(write(tmp_path))
    assert "holds no tunes/*.abc or more/*.abc" in message
    assert f"keybench corpora fetch {tmp_path / 'harbour.toml'}" in message


def package_manifest(name):
    start, end = MANIFEST.index("[origin]"), MANIFEST.index("[reader]")
    return (
        MANIFEST[:start]
        + f'[origin]\nkind = "package"\npackage = "{name}"\nversion = "1.0"\nfolder = "tunes"\nfiles = ["*.abc"]\n'
        + 'hashes = ""\ninstall = "pip install harbour-tunes"\n'
        + MANIFEST[end:]
    )


def test_a_package_that_is_not_installed_names_the_command(data, tmp_path):
    message = absent(write(tmp_path, text=package_manifest("harbour_tunes_absent")))
    assert "install it with: pip install harbour-tunes" in message


@pytest.mark.parametrize("name", ["harbour_tunes_absent.more", "", ".", ".more", "a b", "a/b"])
def test_a_package_inside_another_is_refused_since_finding_it_would_import_the_other(data, tmp_path, name):
    with pytest.raises(ManifestError, match="field 'package' is"):
        read_manifest(write(tmp_path, text=package_manifest(name)))


def test_a_package_without_the_files_names_the_command_and_the_version(data, tmp_path, monkeypatch):
    (tmp_path / "site" / "harbour_tunes" / "tunes").mkdir(parents=True)
    (tmp_path / "site" / "harbour_tunes" / "__init__.py").write_text("raise RuntimeError('imported')\n")
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    message = absent(write(tmp_path, text=package_manifest("harbour_tunes")))
    assert "holds no *.abc; install it again with: pip install harbour-tunes" in message
    assert "checked against harbour_tunes 1.0" in message
    assert "harbour_tunes" not in sys.modules


def test_the_version_of_a_package(data, tmp_path):
    for name, version in (("pytest", pytest.__version__), ("harbour_tunes_absent", "unknown")):
        assert locate.installed_version(read_manifest(write(tmp_path, text=package_manifest(name))).origin) == version
    assert locate.installed_version(read_manifest(write(tmp_path)).origin) == ""


# --- Missing ---------------------------------------------------------------------------------------------------------


def test_listed_files_that_are_not_here_are_missing_and_no_problem(data, tmp_path):
    put(data, "tunes/one.abc", "tunes/unlisted.abc")
    path = write(tmp_path, "tunes/one.abc", "tunes/two.abc", "more/three.abc")
    for _ in range(2):  # read, and from the cache
        corpus = load(path)
        assert corpus.missing == ["more/three.abc", "tunes/two.abc"]
        assert corpus.pieces.tolist() == ["harbour:one/1", "harbour:unlisted/1"]
        assert corpus.problems == []
    put(data, "tunes/two.abc")
    assert load(path).missing == ["more/three.abc"]


def test_a_cached_corpus_does_not_keep_what_was_missing_once(data, tmp_path):
    put(data, "tunes/one.abc")
    assert load(write(tmp_path, "tunes/one.abc", "tunes/two.abc")).missing == ["tunes/two.abc"]
    assert load(write(tmp_path, "tunes/one.abc")).missing == []
    assert len(caches(tmp_path)) == 1


@pytest.mark.parametrize("here", ["tunes/one.abc", "tunes/one.abc.gz"])
@pytest.mark.parametrize("listed", ["tunes/one.abc", "tunes/one.abc.gz"])
def test_a_file_is_not_missing_for_being_compressed(data, tmp_path, here, listed):
    put(data, here)
    text = MANIFEST.replace('"more/*.abc"', '"tunes/*.abc.gz"')
    manifest = read_manifest(write(tmp_path, listed, "tunes/two.abc", text=text))
    found = locate.locate(manifest, manifest.origin)
    assert found.paths == [here]
    assert locate.missing_files(manifest, manifest.origin, found) == ["tunes/two.abc"]


def test_the_hash_list_itself(data, tmp_path):
    put(data, "tunes/one.abc")
    path = write(tmp_path)
    manifest = read_manifest(path)
    assert locate.known_hashes(manifest, manifest.origin) == {"tunes/one.abc": line("").split()[0]}
    for damage, words in ((b"words\n", "line 1"), (b"\xff\xfe", "not UTF-8"), (b"", "line 1")):
        (tmp_path / "harbour.sha256").write_bytes(damage)
        with pytest.raises(ManifestError, match=words) as caught:
            load(path)
        assert "\n" not in str(caught.value)
    (tmp_path / "harbour.sha256").unlink()
    with pytest.raises(ManifestError, match=r"harbour\.sha256: no such file"):
        load(path)


def test_without_a_list_nothing_is_missing(data, tmp_path):
    put(data, "tunes/one.abc")
    path = write(tmp_path, text=MANIFEST.replace('hashes = "harbour.sha256"', 'hashes = ""'))
    (tmp_path / "harbour.sha256").unlink()
    assert load(path).missing == []


# --- Unreadable ------------------------------------------------------------------------------------------------------


def left_out(path, name, words):
    """Load, and check that one file is left out with one line of reason while the rest is there."""
    corpus = load(path)
    assert corpus.pieces.tolist() == ["harbour:one/1"]
    (problem,) = corpus.problems
    assert (problem.piece, problem.kind, problem.scored) == (f"harbour:{name}", "left out", False)
    assert problem.reason.startswith(f"harbour:{name}: cannot be read (")
    assert words in problem.reason
    assert "accepted: readable files of ordinary size" in problem.reason
    assert "\n" not in problem.reason
    assert corpus.missing == []


def test_a_folder_in_place_of_a_file_is_unreadable_and_not_missing(data, tmp_path):
    put(data, "tunes/one.abc")
    (data / "harbour" / "tunes" / "two.abc").mkdir()
    left_out(write(tmp_path, "tunes/one.abc", "tunes/two.abc"), "tunes/two.abc", "ordinary file")


def test_a_link_to_nothing_is_unreadable(data, tmp_path):
    put(data, "tunes/one.abc")
    (data / "harbour" / "tunes" / "two.abc").symlink_to(data / "nowhere")
    left_out(write(tmp_path, "tunes/one.abc", "tunes/two.abc"), "tunes/two.abc", "o such file")


def test_a_link_to_itself_is_unreadable(data, tmp_path):
    put(data, "tunes/one.abc")
    (data / "harbour" / "tunes" / "two.abc").symlink_to(data / "harbour" / "tunes" / "two.abc")
    left_out(write(tmp_path, "tunes/one.abc", "tunes/two.abc"), "tunes/two.abc", "")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_that_one_may_not_read_is_unreadable(data, tmp_path):
    put(data, "tunes/one.abc", "tunes/two.abc")
    (data / "harbour" / "tunes" / "two.abc").chmod(0)
    left_out(write(tmp_path, "tunes/one.abc", "tunes/two.abc"), "tunes/two.abc", "ermission")


def test_a_file_over_the_limit_is_not_opened(data, tmp_path):
    put(data, "tunes/one.abc", "tunes/two.abc")
    os.truncate(data / "harbour" / "tunes" / "two.abc", locate.MAX_FILE_BYTES + 1)  # a hole: takes no room
    left_out(
        write(tmp_path, "tunes/one.abc", "tunes/two.abc"), "tunes/two.abc", "67,108,865 bytes, more than 67,108,864"
    )


def test_a_file_of_just_the_limit_is_read(data, tmp_path, monkeypatch):
    put(data, "tunes/one.abc")
    monkeypatch.setattr(locate, "MAX_FILE_BYTES", len(TUNE))
    assert len(load(write(tmp_path))) == 1
    monkeypatch.setattr(locate, "MAX_FILE_BYTES", len(TUNE) - 1)
    assert len(load(write(tmp_path))) == 0


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
def test_a_pipe_is_unreadable_and_not_waited_for(data, tmp_path):
    put(data, "tunes/one.abc")
    pipe = data / "harbour" / "tunes" / "two.abc"
    os.mkfifo(pipe)
    # Whoever opens the pipe gets a tune, so that this test ends either way.
    writer = threading.Thread(target=pipe.write_text, args=(TUNE,), daemon=True)
    writer.start()
    try:
        left_out(write(tmp_path, "tunes/one.abc", "tunes/two.abc"), "tunes/two.abc", "")
    finally:
        os.close(os.open(pipe, os.O_RDONLY | os.O_NONBLOCK))
        writer.join(timeout=5)


def test_a_corpus_with_unreadable_files_is_not_cached(data, tmp_path, monkeypatch):
    put(data, "tunes/one.abc")
    folder = data / "harbour" / "tunes" / "two.abc"
    folder.mkdir()
    path = write(tmp_path, "tunes/one.abc", "tunes/two.abc")
    assert len(load(path)) == 1
    assert caches(tmp_path) == []
    folder.rmdir()
    put(data, "tunes/two.abc")
    assert len(load(path)) == 2
    assert len(caches(tmp_path)) == 1


def test_a_cache_is_not_read_where_a_file_became_unreadable(data, tmp_path):
    put(data, "tunes/one.abc")
    path = write(tmp_path, "tunes/one.abc")
    load(path)
    (data / "harbour" / "tunes" / "two.abc").mkdir()
    left_out(path, "tunes/two.abc", "")


def test_nothing_but_unreadable_files_is_an_empty_corpus(data, tmp_path):
    (data / "harbour" / "tunes" / "one.abc").mkdir(parents=True)
    corpus = load(write(tmp_path))
    assert len(corpus) == 0
    assert [problem.kind for problem in corpus.problems] == ["left out"]


def test_files_come_sorted_and_once(data, tmp_path):
    put(data, "tunes/b.abc", "tunes/a.abc", "more/c.abc")
    text = MANIFEST.replace('"more/*.abc"', '"**/*.abc"')
    manifest = read_manifest(write(tmp_path, text=text))
    assert locate.locate(manifest, manifest.origin).paths == ["more/c.abc", "tunes/a.abc", "tunes/b.abc"]


def test_loading_reports_progress_whether_cached_or_not(data, tmp_path, monkeypatch):
    put(data, "tunes/one.abc", "tunes/two.abc")
    path = write(tmp_path)
    for _ in range(2):
        steps = []
        load(path, progress=steps.append)
        assert sum(steps) == 2
        monkeypatch.setattr(loading, "read_files", lambda *_: pytest.fail("read again in spite of the cache"))
