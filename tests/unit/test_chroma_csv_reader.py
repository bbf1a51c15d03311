"""The reader of chroma files on numbers of our own."""

import gzip
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from keybench.corpora.readers import chroma_csv
from keybench.errors import ReadError

# Columns by the names of their pitch classes, in the order of the file.
FROM_A = ["A", "Bb", "B", "C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab"]
FROM_C = FROM_A[3:] + FROM_A[:3]


def text(times, bass, treble, name=""):
    """Return a file; `bass` and `treble` have their columns from A upwards."""
    lines = []
    for i, when in enumerate(times):
        cells = [name if i == 0 else "", repr(float(when)), *map(repr, [*map(float, bass[i]), *map(float, treble[i])])]
        lines.append(",".join(cells))
    return ("\n".join(lines) + "\n").encode()


def constant(n_frames, cell=1.0, name=""):
    """Return a file of equal energies, a frame every quarter of a second."""
    return text(np.arange(n_frames) * 0.25, np.full((n_frames, 12), cell), np.full((n_frames, 12), cell), name)


def test_two_frames_worked_by_hand():
    bass = np.zeros((2, 12))
    treble = np.zeros((2, 12))
    bass[0, FROM_A.index("A")] = 2.5
    treble[0, FROM_A.index("C")] = 0.125
    bass[1, FROM_A.index("Ab")] = 7
    treble[1, FROM_A.index("E")] = 1e-3
    frames = chroma_csv.read_chroma(text([0.0, 0.372], bass, treble))
    assert frames.time.tolist() == [0.0, 0.372]
    assert frames.bass.shape == frames.treble.shape == (2, 12)
    assert frames.bass[0].tolist() == [2.5 if name == "A" else 0 for name in FROM_C]
    assert frames.treble[0].tolist() == [0.125 if name == "C" else 0 for name in FROM_C]
    assert frames.bass[1].tolist() == [7 if name == "Ab" else 0 for name in FROM_C]
    assert frames.treble[1].tolist() == [1e-3 if name == "E" else 0 for name in FROM_C]
    assert [np.flatnonzero(row).tolist() for row in (*frames.bass, *frames.treble)] == [[9], [8], [0], [4]]


ENERGIES = st.integers(1, 30).flatmap(
    lambda n: st.tuples(
        arrays(float, (n, 24), elements=st.floats(0, 1e6)),
        arrays(float, n, elements=st.floats(1e-3, 10)),
    )
)


@given(ENERGIES)
@settings(deadline=None)
def test_what_is_written_comes_back(drawn):
    energies, steps = drawn
    times = np.cumsum(steps)
    data = text(times, energies[:, :12], energies[:, 12:])
    for packed in (data, gzip.compress(data)):
        frames = chroma_csv.read_chroma(packed)
        assert np.array_equal(frames.time, times)
        for i, name in enumerate(FROM_C):
            assert np.array_equal(frames.bass[:, i], energies[:, FROM_A.index(name)])
            assert np.array_equal(frames.treble[:, i], energies[:, 12 + FROM_A.index(name)])


@pytest.mark.parametrize(
    "name", ["", '"songs/in A minor.wav"', '"a, comma, 3,4"', "lantern.wav", '"quai d\xe9sert.wav"', "7"]
)
def test_the_file_name_does_not_reach_the_frames(name):
    # What an estimator must not see. Reference: the same file without a name.
    frames, bare = chroma_csv.read_chroma(constant(3, name=name)), chroma_csv.read_chroma(constant(3))
    for column in ("time", "bass", "treble"):
        assert np.array_equal(getattr(frames, column), getattr(bare, column))


@pytest.mark.parametrize("ending", [b"\r\n", b"\n\n\n", b""])
def test_line_ends(ending):
    data = constant(4)
    changed = data.replace(b"\n", ending) if ending == b"\r\n" else data.rstrip(b"\n") + ending
    assert np.array_equal(chroma_csv.read_chroma(changed).time, [0, 0.25, 0.5, 0.75])


def with_cell(row, column, cell):
    """Return a file of four frames with one cell replaced; rows and columns count from 1."""
    lines = [line.split(b",") for line in constant(4).splitlines()]
    lines[row - 1][column - 1] = cell
    return b"\n".join(b",".join(line) for line in lines)


WHOLE = constant(400)

BAD = [
    ("empty", b"", "no frames"),
    ("blank", b" \n\n", "no frames"),
    ("empty archive", gzip.compress(b""), "no frames"),
    ("archive cut short", gzip.compress(WHOLE)[:-9], "gzip archive is damaged"),
    ("only the mark of an archive", b"\x1f\x8b", "gzip archive is damaged"),
    ("archive with a changed byte", gzip.compress(WHOLE)[:-6] + b"\x00" * 6, "gzip archive is damaged"),
    ("rubbish in an archive", b"\x1f\x8b" + b"\x08" * 300, "gzip archive is damaged"),
    ("binary rubbish", b"\x00\x01\xff\x02\x80\x7f", "line 1 has 1 column;"),
    ("another encoding", WHOLE.decode().encode("utf-16"), "line 401 has 1 column;"),
    ("cut in a row", WHOLE[: WHOLE.index(b"\n") + 20], "line 2 has 6 columns"),
    ("a column too few", b"\n".join(line[:-4] for line in WHOLE.splitlines()), "line 1 has 25 columns"),
    ("a column too many", WHOLE.replace(b"\n", b",1.0\n", 1), "line 1 has 27 columns"),
    ("an empty row", WHOLE.replace(b"\n", b"\n\n", 1), "line 2 has 1 column;"),
    ("headings", b"file,time," + b",".join(b"abcdefghijklmnopqrstuvwx"[i : i + 1] for i in range(24)), "holds 'time'"),
    ("not a number", with_cell(3, 5, b"nan"), "line 3 holds 'nan' in column 5"),
    ("endless", with_cell(2, 26, b"inf"), "line 2 holds 'inf' in column 26"),
    ("beyond the range", with_cell(2, 26, b"1e999"), "line 2 holds '1e999' in column 26"),
    ("negative", with_cell(4, 3, b"-0.5"), "line 4 holds '-0.5' in column 3"),
    ("a word", with_cell(2, 9, b"loud"), "line 2 holds 'loud' in column 9"),
    ("a long word", with_cell(2, 9, b"loud" * 999), "line 2 holds 'loudloudloudloudloud' in"),
    ("an empty cell", with_cell(2, 9, b""), "line 2 holds '' in column 9"),
    ("a negative time", with_cell(1, 2, b"-0.1"), "line 1 holds '-0.1' in column 2"),
    ("a time twice", with_cell(3, 2, b"0.25"), "the time on line 3"),
    ("a time before", with_cell(4, 2, b"0.1"), "the time on line 4"),
    ("too large", b"," * 20_000_001, "at most 20,000,000"),
    ("too large an archive", gzip.compress(b"," * 30_000_000), "at most 20,000,000"),
    ("a gigantic line", b"," * 20_000_000, "line 1 has 20,000,001 columns"),
]


@pytest.mark.parametrize(("data", "words"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_damaged_files_name_the_line_and_what_is_accepted(data, words):
    begin = time.process_time()
    with pytest.raises(ReadError) as caught:
        chroma_csv.read_chroma(data)
    assert time.process_time() - begin < 1.0
    message = str(caught.value)
    assert words in message
    assert "accepted:" in message
    assert "\n" not in message
    assert len(message) < 200


def test_silence_is_no_damage():
    assert not chroma_csv.read_chroma(constant(2, cell=0.0)).bass.any()


def test_damage_of_every_kind_is_read_or_refused():
    # No source: whatever the bytes, there are sound frames or a ReadError of one line.
    rng = np.random.default_rng(0)
    whole = np.frombuffer(constant(5), np.uint8)
    signs = np.frombuffer(b',.\n-e1n"\x00\xff ', np.uint8)
    refused = 0
    for _ in range(300):
        damaged = whole.copy()
        places = rng.integers(0, len(whole), 1)
        damaged[places] = rng.choice(signs, 1)
        try:
            frames = chroma_csv.read_chroma(damaged.tobytes())
        except ReadError as error:
            refused += 1
            message = str(error)
        else:
            message = "accepted:"
            for values in (frames.time, frames.bass, frames.treble):
                assert np.isfinite(values).all()
                assert (values >= 0).all()
        assert "accepted:" in message
        assert "\n" not in message
    assert 0 < refused < 300
