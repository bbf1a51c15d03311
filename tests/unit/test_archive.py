"""Unpacking archives: what the standard library and the tar program write, and every trick of a hostile one.

The tricks are the classes of CWE-22, CWE-59 and CWE-409 (cwe.mitre.org); the archives are made here, byte by byte where
the libraries would refuse to.
"""

import bz2
import errno
import gzip
import io
import lzma
import os
import random
import shutil
import stat
import struct
import subprocess
import tarfile
import warnings
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.corpora import archive
from keybench.corpora.archive import unpack
from keybench.errors import FetchError

FILES = {"a.txt": b"one", "deep/er/b.bin": bytes(range(256)) * 20, "deep/empty": b"", "näme/ü.txt": b"two"}


def gzipped(data: bytes) -> bytes:
    """Pack without the time: it would name a test otherwise in each process that collects it."""
    return gzip.compress(data, mtime=0)


def member(name, content=b"", kind=tarfile.REGTYPE, link="", **more):
    """Return a tar header and its content."""
    info = tarfile.TarInfo(name)
    info.size, info.type, info.linkname = len(content), kind, link
    for field, value in more.items():
        setattr(info, field, value)
    return info, content


def tar(*members, format=tarfile.PAX_FORMAT):
    memory = io.BytesIO()
    with tarfile.open(fileobj=memory, mode="w", format=format) as opened:
        for info, content in members:
            opened.addfile(info, io.BytesIO(content))
    return memory.getvalue()


def entry(name, content=b"", mode=stat.S_IFREG | 0o644):
    """Return a zip entry; `name` goes into the archive as it is."""
    info = zipfile.ZipInfo("x")
    info.filename = name
    info.external_attr = mode << 16
    info.compress_type = zipfile.ZIP_DEFLATED
    return info, content


def zipped(*entries):
    memory = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(memory, "w") as opened:
        warnings.simplefilter("ignore")  # the library warns of a name that comes twice
        for info, content in entries:
            opened.writestr(info, content)
    return memory.getvalue()


def files_in(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def unpacked(content, tmp_path, **named):
    (tmp_path / "archive").write_bytes(content)
    unpack(tmp_path / "archive", tmp_path / "out", **named)
    assert not any(path.is_symlink() for path in (tmp_path / "out").rglob("*"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["archive", "out"]
    return files_in(tmp_path / "out")


def refused(content, tmp_path, **named):
    """Return the one line of the refusal, having seen that nothing was left behind."""
    room = tmp_path / "room"
    room.mkdir()
    (room / "archive").write_bytes(content)
    around = sorted(tmp_path.rglob("*"))
    with pytest.raises(FetchError) as caught:
        unpack(room / "archive", room / "out", **named)
    assert sorted(tmp_path.rglob("*")) == around
    text = str(caught.value)
    assert "\n" not in text
    assert "archive" in text
    assert len(text) < 500
    shutil.rmtree(room)
    return text


PLAIN_TAR = tar(*(member(name, content) for name, content in FILES.items()))
PLAIN_ZIP = zipped(*(entry(name, content) for name, content in FILES.items()))
PACKED = {
    "zip": PLAIN_ZIP,
    "tar": PLAIN_TAR,
    "tar.gz": gzipped(PLAIN_TAR),
    "tar.bz2": bz2.compress(PLAIN_TAR),
    "tar.xz": lzma.compress(PLAIN_TAR),
}


@pytest.mark.parametrize("kind", PACKED)
def test_unpacks(kind, tmp_path):
    assert unpacked(PACKED[kind], tmp_path) == FILES


@pytest.mark.parametrize("format", [tarfile.USTAR_FORMAT, tarfile.GNU_FORMAT, tarfile.PAX_FORMAT])
def test_formats_of_tar(format, tmp_path):
    long_name = "/".join(["folder"] * 20) + "/" + "n" * 90
    files = {"a": b"1", long_name: b"2"}
    assert unpacked(tar(*(member(*item) for item in files.items()), format=format), tmp_path) == files


@pytest.mark.parametrize("option", ["", "z", "j", "J"])
def test_what_the_tar_program_writes(option, tmp_path):
    if shutil.which("tar") is None:
        pytest.skip("no tar program on this machine")
    source = tmp_path / "source"
    for name, content in FILES.items():
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        (source / name).write_bytes(content)
    (source / "link").symlink_to("deep/er/b.bin")
    os.link(source / "a.txt", source / "hard")
    with open(source / "holes", "wb") as file:  # stored as a sparse file
        file.seek(1_000_000)
        file.write(b"end")
    made = subprocess.run(
        ["tar", "--sparse", f"-c{option}f", str(tmp_path / "archive"), "-C", str(source), "."], check=False
    )
    if made.returncode != 0:
        pytest.skip("this tar program lacks the option or the compressor")
    unpack(tmp_path / "archive", tmp_path / "out")
    assert files_in(tmp_path / "out") == files_in(source)


def test_what_the_git_program_writes(tmp_path):
    if shutil.which("git") is None:
        pytest.skip("no git on this machine")
    source = tmp_path / "source"
    source.mkdir()
    (source / "tune.abc").write_bytes(b"X:1\nK:C\n")
    for command in (
        ["init", "-q"],
        ["add", "."],
        ["-c", "user.name=N", "-c", "user.email=n@example.org", "commit", "-qm1"],
    ):
        subprocess.run(["git", *command], cwd=source, check=True)
    for kind in ("zip", "tar", "tar.gz"):
        path = tmp_path / f"archive.{kind}"
        subprocess.run(["git", "archive", "--prefix=corpus-1/", "-o", str(path), "HEAD"], cwd=source, check=True)
        unpack(path, tmp_path / kind)
        assert files_in(tmp_path / kind) == {"corpus-1/tune.abc": b"X:1\nK:C\n"}


def test_folders_and_the_folder_itself(tmp_path):
    content = tar(
        member("./", kind=tarfile.DIRTYPE),
        member("./empty/", kind=tarfile.DIRTYPE),
        member("./empty", kind=tarfile.DIRTYPE),
        member("./full/x", b"x"),
    )
    assert unpacked(content, tmp_path) == {"full/x": b"x"}
    assert (tmp_path / "out" / "empty").is_dir()


@pytest.mark.parametrize("content", [tar(), zipped(), gzipped(tar())])
def test_an_empty_archive(content, tmp_path):
    assert unpacked(content, tmp_path) == {}


def test_owners_times_and_permissions_stay_behind(tmp_path):
    content = tar(member("x", b"x", mode=0o6777, uid=12345, mtime=1), member("d", kind=tarfile.DIRTYPE, mode=0o000))
    unpacked(content, tmp_path)
    found = (tmp_path / "out" / "x").stat()
    assert found.st_mode & 0o7111 == 0
    assert (found.st_uid, found.st_mtime > 1e9) == (os.getuid(), True)
    assert (tmp_path / "out" / "d").stat().st_mode & 0o700 == 0o700


def symlink(name, target):
    return member(name, kind=tarfile.SYMTYPE, link=target)


def hardlink(name, target):
    return member(name, kind=tarfile.LNKTYPE, link=target)


def zip_link(name, target):
    return entry(name, target.encode(), mode=stat.S_IFLNK | 0o777)


LINKS = [
    ("beside", [symlink("l", "a")]),
    ("from below", [symlink("d/l", "../a")]),
    ("out of a folder and in again", [symlink("d/l", "../d/../a")]),
    ("to a link", [symlink("m", "a"), symlink("l", "m")]),
    ("to a link that comes later", [symlink("l", "m"), symlink("m", "./a")]),
    ("through a link to a folder", [member("d/b", b"content"), symlink("l", "d/b")]),
    ("hard", [hardlink("l", "a")]),
    ("hard, to a link", [symlink("d/m", "../a"), hardlink("l", "./d/m")]),
]


@pytest.mark.parametrize("links", [row[1] for row in LINKS], ids=[row[0] for row in LINKS])
def test_links_to_files_become_copies(links, tmp_path):
    files = unpacked(tar(member("a", b"content"), *links), tmp_path)
    assert set(files.values()) == {b"content"}
    assert "l" in {name.split("/")[-1] for name in files}


def test_links_in_a_zip(tmp_path):
    files = unpacked(zipped(zip_link("d/l", "../a"), entry("a", b"content")), tmp_path)
    assert files == {"a": b"content", "d/l": b"content"}


BAD_NAMES = [
    ("/etc/x", "not relative"),
    ("//x", "not relative"),
    ("../x", "leaves its folder"),
    ("a/../../x", "leaves its folder"),
    ("a/../x", "leaves its folder"),
    ("./../x", "leaves its folder"),
    ("..", "leaves its folder"),
    ("C:/x", "not relative"),
    ("c:x", "not relative"),
    ("a\\..\\..\\x", "backslash"),
    ("\\\\server\\x", "backslash"),
    ("a//x", "empty step"),
    ("a/./x", "empty step"),
    ("a\nb", "control character"),
    ("a\x1b[2Jb", "control character"),
    ("n" * 2000, "2,000 characters"),
    ("a/" * 700 + "x", "1,401 characters"),
]


@pytest.mark.parametrize("make", [lambda name: tar(member(name, b"x")), lambda name: zipped(entry(name, b"x"))])
@pytest.mark.parametrize(("name", "words"), BAD_NAMES)
def test_names_that_are_refused(make, name, words, tmp_path):
    line = refused(make(name), tmp_path)
    assert "is refused" in line
    assert words in line


def test_a_nul_in_a_name(tmp_path):
    # A name that looks like one thing to who checks it and like another to who opens it.
    assert "control character" in refused(zipped(entry("a.txt\0/../../x", b"x")), tmp_path)
    info, content = member("placeholder", b"x")
    info.pax_headers = {"path": "a\0b"}
    assert "control character" in refused(tar((info, content)), tmp_path)


def test_a_name_that_is_not_utf_8(tmp_path):
    content = tar(member("caf\udce9", b"x"), format=tarfile.GNU_FORMAT)
    assert "not UTF-8" in refused(content, tmp_path)


BAD_LINKS = [
    ("out", [symlink("l", "../x")], "leaves its folder"),
    ("out from below", [symlink("d/l", "../../x")], "leaves its folder"),
    ("far out and in again", [symlink("l", "../room/out/a")], "leaves its folder"),
    ("absolute", [symlink("l", "/etc/passwd")], "not a path inside the archive"),
    ("absolute, hard", [hardlink("l", "/etc/passwd")], "not a path inside the archive"),
    ("out, hard", [hardlink("l", "../x")], "leaves its folder"),
    ("with backslashes", [symlink("l", "..\\x")], "not a path inside the archive"),
    ("to itself", [symlink("l", "l")], "in a circle"),
    ("in a circle of two", [symlink("l", "m"), symlink("m", "l")], "in a circle"),
    ("in a circle that grows", [symlink("l", "l/l/l")], "in a circle"),
    ("in a circle, hard", [hardlink("l", "m"), hardlink("m", "l")], "in a circle"),
    ("to nothing", [symlink("l", "b")], "does not hold"),
    ("to nothing, hard", [hardlink("l", "b")], "does not hold"),
    ("to no name", [symlink("l", "")], "a link to a folder"),
    ("to a folder", [member("d/b"), symlink("l", "d")], "a link to a folder"),
    ("to the folder itself", [symlink("d/l", "..")], "a link to a folder"),
    # By its letters b/../x stays inside; through the link b it would be outside.
    ("out through a link", [symlink("l", "b/../x"), symlink("b", ".")], "leaves its folder"),
    ("a name through a link", [symlink("d", "."), member("d/x", b"x")], "folder and something else"),
    ("a name through a link that comes later", [member("d/x", b"x"), symlink("d", ".")], "this name twice"),
    ("a file through a link outside", [symlink("d", "/tmp"), member("d/x", b"x")], "not a path inside"),
]


@pytest.mark.parametrize(("links", "words"), [row[1:] for row in BAD_LINKS], ids=[row[0] for row in BAD_LINKS])
def test_links_that_are_refused(links, words, tmp_path):
    line = refused(tar(member("a", b"content"), *links), tmp_path)
    assert "is refused" in line
    assert words in line


@pytest.mark.parametrize(("target", "words"), [("../x", "leaves"), ("/etc/passwd", "not a path"), ("l", "in a circle")])
def test_links_that_are_refused_in_a_zip(target, words, tmp_path):
    assert words in refused(zipped(entry("a", b"x"), zip_link("l", target)), tmp_path)


def test_a_link_of_a_zip_that_is_no_name(tmp_path):
    assert "too long for a name" in refused(zipped(zip_link("l", "x" * 3_000_000)), tmp_path)


@pytest.mark.parametrize("kind", [tarfile.CHRTYPE, tarfile.BLKTYPE, tarfile.FIFOTYPE, b"Q"])  # no one knows the last
def test_devices_and_pipes(kind, tmp_path):
    assert "neither a file nor a folder" in refused(tar(member("x", kind=kind)), tmp_path)


@pytest.mark.parametrize("mode", [stat.S_IFCHR, stat.S_IFBLK, stat.S_IFIFO, stat.S_IFSOCK])
def test_devices_and_pipes_in_a_zip(mode, tmp_path):
    assert "neither a file nor a folder" in refused(zipped(entry("x", b"x", mode=mode | 0o644)), tmp_path)


TWICE = [
    ["x", "x"],
    ["x", "./x"],
    ["d/x", "d"],
    ["d", "d/x"],
    ["d", "d/e/x"],
]


@pytest.mark.parametrize("names", TWICE, ids=[" ".join(names) for names in TWICE])
def test_names_that_come_twice(names, tmp_path):
    for content in (tar(*map(member, names)), zipped(*map(entry, names))):
        assert "is refused" in refused(content, tmp_path)


def test_bombs(tmp_path):
    zeros = bytes(5_000_000)
    for content in (
        zipped(entry("zeros", zeros)),
        gzipped(tar(member("zeros", zeros))),
        lzma.compress(tar(*(member(f"{n}", zeros[:500_000]) for n in range(10)))),
        tar(member("a", zeros[:300_000]), *(hardlink(f"{n}", "a") for n in range(10))),  # links count as copies
        tar(member("a", zeros[:300_000]), *(symlink(f"{n}", "a") for n in range(10))),
    ):
        assert "unpacks to more than 1,000,000 bytes" in refused(content, tmp_path, max_bytes=1_000_000)


def test_the_limit_itself_is_accepted(tmp_path):
    assert unpacked(tar(member("x", bytes(1000))), tmp_path, max_bytes=1000) == {"x": bytes(1000)}
    shutil.rmtree(tmp_path / "out")
    assert "more than 999 bytes" in refused(tar(member("x", bytes(1000))), tmp_path, max_bytes=999)


def test_a_size_that_is_only_stated_is_refused_before_it_is_written(tmp_path):
    info, _ = member("x")
    info.size = 10**12
    header = info.tobuf(tarfile.GNU_FORMAT)
    assert "unpacks to more than" in refused(header + bytes(4096), tmp_path)


def test_bytes_that_belong_to_no_file_are_counted_too(tmp_path, monkeypatch):
    monkeypatch.setattr(archive, "_MAX_OVERHEAD_BYTES", 1_000_000)
    behind = gzipped(tar(member("x", b"x")) + bytes(5_000_000))
    assert "belong to no file" in refused(behind, tmp_path)
    info, _ = member("d/", kind=tarfile.DIRTYPE)
    info.size = 5_000_000  # a folder with content, which is passed over
    assert "belong to no file" in refused(gzipped(info.tobuf(tarfile.GNU_FORMAT) + bytes(6_000_000)), tmp_path)


@pytest.mark.parametrize("kind", [tarfile.XHDTYPE, tarfile.XGLTYPE, tarfile.GNUTYPE_LONGNAME])
def test_a_header_that_would_fill_the_memory(kind, tmp_path):
    info, _ = member("x", kind=kind)
    info.size = 2**34
    assert "a header of 17,179,869,184 bytes" in refused(
        gzipped(info.tobuf(tarfile.GNU_FORMAT) + bytes(10_000)), tmp_path
    )


@pytest.mark.parametrize("kind", [tarfile.REGTYPE, tarfile.XHDTYPE, tarfile.GNUTYPE_LONGNAME, tarfile.DIRTYPE])
def test_a_negative_size(kind, tmp_path):
    # tarfile before 3.11.14 went round in circles (CVE-2025-8194).
    header = bytearray(member("x", kind=kind)[0].tobuf())
    header[124:136] = b"\xff" * 8 + struct.pack(">i", -1024)
    header[148:156] = b" " * 8
    header[148:156] = b"%06o\0 " % sum(header)
    content = tar(member("first", b"1"))[:1024] + bytes(header) + bytes(2048)
    assert "negative size" in (line := refused(content, tmp_path)) or "header of -" in line


def test_headers_without_end(tmp_path):
    header = member("x", kind=tarfile.XGLTYPE)[0].tobuf()
    assert "damaged" in refused(gzipped(header * 5000), tmp_path)


def test_too_many_files(tmp_path, monkeypatch):
    monkeypatch.setattr(archive, "_MAX_FILES", 10)
    assert "too many files" in refused(tar(*(member(f"{n}") for n in range(20))), tmp_path)
    assert "too many files" in refused(zipped(*(entry(f"{n}/") for n in range(20))), tmp_path)
    assert "too many files" in refused(tar(member("/".join("abcdefghijklm"))), tmp_path)


def cuts(content):
    """Return places to cut an archive at: all in the first kilobyte of a short one, some everywhere."""
    return sorted({*range(1, len(content), max(1, len(content) // 60)), len(content) - 1})


@pytest.mark.parametrize("kind", ["zip", "tar.gz", "tar.bz2", "tar.xz"])
def test_a_truncated_archive(kind, tmp_path):
    content = PACKED[kind]
    for end in cuts(content):
        line = refused(content[:end], tmp_path)
        assert "damaged" in line or "not an archive" in line, end


def test_a_truncated_tar_without_compression(tmp_path):
    # Cut at the border of two files there is nothing wrong with what is there: only the end mark is missing.
    last = PLAIN_TAR.rstrip(b"\0")
    end_of_files = -(-len(last) // 512) * 512
    for end in (*range(512, end_of_files + 1, 512), end_of_files - 1, 100, end_of_files + 511):
        line = refused(PLAIN_TAR[:end], tmp_path)
        assert "damaged" in line or "not an archive" in line, end
    assert unpacked(PLAIN_TAR[: end_of_files + 512], tmp_path) == FILES


def test_junk_between_files_is_not_the_end(tmp_path):
    # tarfile alone stops at a header that it cannot read, without a word.
    one, other = tar(member("one", b"1"))[:1024], tar(member("other", b"2"))
    assert "damaged" in refused(one + b"junk" * 128 + other, tmp_path)
    with tarfile.open(fileobj=io.BytesIO(one + b"junk" * 128 + other)) as opened:
        assert opened.getnames() == ["one"]


def test_wrong_checksums(tmp_path):
    packed = bytearray(PACKED["tar.gz"])
    packed[-5] ^= 1
    assert "damaged" in refused(bytes(packed), tmp_path)
    stored = io.BytesIO()
    with zipfile.ZipFile(stored, "w") as opened:
        opened.writestr("x", b"content")
    assert "damaged" in refused(stored.getvalue().replace(b"content", b"c0ntent"), tmp_path)


def test_an_encrypted_zip(tmp_path):
    content = bytearray(zipped(entry("x", b"x")))
    content[6] |= 1
    content[content.index(b"PK\x01\x02") + 8] |= 1
    assert "it is encrypted" in refused(bytes(content), tmp_path)


def test_an_unknown_compression(tmp_path):
    content = bytearray(zipped(entry("x", b"x")))
    content[8] = content[content.index(b"PK\x01\x02") + 10] = 99
    assert "damaged" in refused(bytes(content), tmp_path)


@pytest.mark.parametrize(
    "content", [b"", b"x", b"<html>not found</html>" * 100, random.Random(1).randbytes(5000), b"X:1\nK:C\nCDEF|\n"]
)
def test_no_archive(content, tmp_path):
    assert "not an archive; accepted: zip, tar" in refused(content, tmp_path)


@pytest.mark.parametrize("content", [gzipped(b"one file, not a tar"), b"\x1f\x8b", b"BZh9", b"\xfd7zXZ\0", b"PK\3\4"])
def test_no_archive_inside(content, tmp_path):
    assert "damaged" in refused(content, tmp_path)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(["zip", "tar", "tar.gz", "tar.bz2", "tar.xz"]), st.data())
def test_damage_is_refused_or_harmless(tmp_path_factory, kind, data):
    content = bytearray(PACKED[kind])
    for _ in range(data.draw(st.integers(1, 6))):
        where = data.draw(st.integers(0, len(content) - 1))
        content[where] = data.draw(st.integers(0, 255))
    room = tmp_path_factory.mktemp("damage")
    (room / "archive").write_bytes(content)
    try:
        unpack(room / "archive", room / "out", max_bytes=1_000_000)
        left = ["archive", "out"]
    except FetchError:
        left = ["archive"]
    assert sorted(path.name for path in room.iterdir()) == left


def test_a_target_that_exists_is_left_alone(tmp_path):
    (tmp_path / "archive").write_bytes(PLAIN_TAR)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "notes").write_text("mine")
    (tmp_path / "dangling").symlink_to("nowhere")
    for name in ("out", "dangling"):
        with pytest.raises(FetchError, match="move it away"):
            unpack(tmp_path / "archive", tmp_path / name)
    assert files_in(tmp_path / "out") == {"notes": b"mine"}


def test_the_archive_is_missing(tmp_path):
    with pytest.raises(FetchError, match="No such file"):
        unpack(tmp_path / "archive", tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_no_room(tmp_path, monkeypatch):
    def full(*arguments):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(archive.shutil, "copyfileobj", full)
    assert "No space left" in refused(PLAIN_TAR, tmp_path)


def test_an_interruption_leaves_nothing(tmp_path, monkeypatch):
    def interrupt(*arguments):
        raise KeyboardInterrupt

    (tmp_path / "archive").write_bytes(PLAIN_TAR)
    monkeypatch.setattr(archive.shutil, "copyfileobj", interrupt)
    with pytest.raises(KeyboardInterrupt):
        unpack(tmp_path / "archive", tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["archive"]


def test_what_a_killed_process_left_is_cleared_away(tmp_path):
    left = tmp_path / ".out.keybench-unpacking"
    left.mkdir()
    (left / "old").write_text("old")
    assert unpacked(PLAIN_TAR, tmp_path) == FILES
