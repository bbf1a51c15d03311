"""The reader of jazz solos on data frames of our own, written with pyreadr.

The meaning of the columns is that of the collection's own documentation (R package jazzodata, ``R/data.R``).
"""

import gzip
import os
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from keybench.corpora.readers import r_data
from keybench.corpora.readers.reading import Reading
from keybench.errors import ReadError
from keybench.key import MODES
from keybench.notes import BASS, DOWNBEAT, STRONG, WEAK, Piece

W, S, D = WEAK, STRONG, DOWNBEAT
NA = np.nan

# Two solos; the rows of the second stand first.
NOTES = {
    "id": ["Someone_LanternBlues", "Someone_LanternBlues", *["Nobody_PierAtNight"] * 4],
    "melid": [12, 12, 3, 3, 3, 3],
    "onset": [7.0, 9.0, 1.0, 1.5, 2.5, 2.75],
    "pitch_raw": [70, 58, 60, 64, 67, 72],
    "articulation_raw": [0.25, NA, 1.0, 0.5, 0.8, NA],
    "durclass_abs_raw": [0, 2, 0, 0, -1, -2],
    "period": [1, 1, 4, 4, 4, 3],
    "beat": [1, 1, 1, 2, 3, 1],
    "tatum": [1, 1, 1, 1, 1, 1],
    "chord": ["Bb7", "NC", "C-7", "F7", "Bbj7", "NC"],
    "local_key": ["Bb-maj", "", "Bb-maj", "Bb-maj", "Bb-maj", ""],
}
BEATS = {
    "melid": [3, 3, 3, 3, 12, 12],
    "onset": [0.5, 1.0, 1.5, 2.0, 6.0, 7.0],
    "duration": [0.5, 0.5, 0.5, 0.75, 1.0, 1.0],
    "period": [4, 4, 4, 4, 1, 1],
    "beat": [1, 2, 3, 4, 1, 1],
    "bass": [36, NA, 43, 43, NA, NA],
    "chord": ["C-7", "", "F7", "", "NC", ""],
}
DESCRIPTIONS = {
    "melid": [12, 3, 4],
    "key": ["Bb-blues", "C-min", ""],
    "title": [" Lantern blues", "Pier at night ", ""],
    "performer": ["Someone", "Nobody", "Nobody"],
}


@pytest.fixture
def rda(tmp_path):
    """Return a function that writes a data frame and returns the bytes of the file."""
    pyreadr = pytest.importorskip("pyreadr")

    def write(columns):
        path = tmp_path / "frame.rda"
        pyreadr.write_rdata(str(path), pd.DataFrame(columns), df_name="frame", compress="gzip")
        return path.read_bytes()

    return write


def columns_of(piece):
    return [getattr(piece, name).tolist() for name in ("onset", "duration", "pitch", "part", "accent")]


def test_solos_worked_by_hand(rda):
    solos = r_data.read_solos(rda(NOTES))
    assert list(solos) == ["3", "12"]
    assert columns_of(solos["3"].notes) == [
        [1.0, 1.5, 2.5, 2.75],
        [0.5, 0.5, 0.2, 0.125],  # shares of the time to the next onset; the last by its class: 0.5 s / 4
        [60, 64, 67, 72],
        [0] * 4,
        [D, W, S, D],
    ]
    assert columns_of(solos["12"].notes) == [[7.0, 9.0], [0.5, 2.0], [70, 58], [0, 0], [W, W]]
    assert solos["3"].bars is None
    assert solos["3"].chroma is None


def test_bass_notes_worked_by_hand(rda):
    bass = r_data.read_bass(rda(BEATS))
    assert list(bass) == ["3"]  # the other solo has none
    assert columns_of(bass["3"]) == [[0.5, 1.5, 2.0], [0.5, 0.5, 0.75], [36, 43, 43], [BASS] * 3, [D, S, W]]


@pytest.mark.parametrize("bass", [["36", None, "43", "43.0", None, None], [36.0, None, 43, 43, None, None]])
def test_bass_notes_written_as_text(rda, bass):
    assert columns_of(r_data.read_bass(rda(BEATS | {"bass": bass}))["3"]) == columns_of(
        r_data.read_bass(rda(BEATS))["3"]
    )


@pytest.mark.parametrize("length", [-2, -1, 0, 1, 2])
def test_the_last_note_has_a_length_of_its_class(rda, length):
    # Classes meet at 0.5 s times two to the power of +-0.6 and +-1.9, as tests/published/test_jazz_solos.py measures.
    solo = r_data.read_solos(rda(NOTES | {"durclass_abs_raw": [length] * 6}))["3"]
    assert np.digitize(np.log2(solo.notes.duration[-1] / 0.5), [-1.9, -0.6, 0.6, 1.9]) - 2 == length


@pytest.mark.parametrize(
    ("period", "beat", "tatum", "expected"),
    [(4, 1, 1, D), (4, 1, 2, W), (4, 2, 1, W), (4, 3, 1, S), (4, 3, 2, W), (4, 4, 1, W), (3, 1, 1, D), (3, 3, 1, W),
     (5, 3, 1, W), (6, 1, 1, D), (1, 1, 1, W)],
)  # fmt: skip
def test_accents(rda, period, beat, tatum, expected):
    # Common practice, no source: the first beat is the strongest, the third of four is strong.
    place = {"period": [period] * 6, "beat": [beat] * 6, "tatum": [tatum] * 6}
    solo = r_data.read_solos(rda(NOTES | place))["3"]
    assert solo.notes.accent.tolist() == [expected] * 4
    if tatum == 1:
        bass = r_data.read_bass(rda(BEATS | {"period": [period] * 6, "beat": [beat] * 6}))
        assert bass["3"].accent.tolist() == [expected] * 3


def test_solo_and_bass_are_put_together(rda):
    solos, bass = r_data.read_solos(rda(NOTES)), r_data.read_bass(rda(BEATS))
    both = r_data.merge(solos["3"], bass.get("3")).notes
    for part, piece in ((r_data.SOLO, solos["3"].notes), (BASS, bass["3"])):
        rows = both.part == part
        assert columns_of(Piece(*(getattr(both, name)[rows] for name in Piece.__dataclass_fields__))) == columns_of(
            piece
        )
    assert len(both.onset) == 7
    assert r_data.merge(solos["12"], bass.get("12")) is solos["12"]


def test_keys_and_titles(rda):
    data = rda(DESCRIPTIONS)
    assert r_data.read_keys(data) == {"12": (10, None), "3": (0, MODES.index("minor"))}
    assert r_data.read_titles(data) == {"12": ("Lantern blues",), "3": ("Pier at night",), "4": ()}


@pytest.mark.parametrize(
    ("text", "tonic", "mode"),
    [
        ("Bb-maj", 10, "major"),
        ("F#-min", 6, "minor"),
        ("D-dor", 2, "dorian"),
        ("Ab-mix", 8, "mixolydian"),
        ("D#-maj", 3, "major"),
        ("Cb-min", 11, "minor"),
        ("Db-chrom", 1, None),
        ("Bb-blues", 10, None),
        ("Ab", 8, None),
        (" G-maj ", 7, "major"),
    ],
)
def test_how_keys_are_written(rda, text, tonic, mode):
    found = r_data.read_keys(rda({"melid": [5], "key": [text]}))
    assert found == {"5": (tonic, None if mode is None else MODES.index(mode))}


@pytest.mark.parametrize("text", ["H-maj", "C-major", "Cmaj", "c-min", "C-", "C-maj-min", "-", "C-maj" * 99])
def test_keys_that_are_none(rda, text):
    check_message(lambda: r_data.read_keys(rda({"melid": [5], "key": [text]})), "of solo 5")


def test_a_solo_without_a_key_is_left_out(rda):
    assert r_data.read_keys(rda({"melid": [5, 6, 7], "key": ["", None, "  "]})) == {}


@pytest.mark.parametrize("words", ["In A minor", "A-min", "3", ""])
def test_names_and_chords_do_not_reach_the_notes(rda, words):
    # What an estimator must not see. Reference: the same frames with no columns but those of the notes.
    hidden = {name: [words] * 6 for name in ("id", "title", "key", "chord", "chords_raw", "local_key", "signature")}
    notes = {name: column for name, column in NOTES.items() if name not in ("id", "chord", "local_key")}
    beats = {name: column for name, column in BEATS.items() if name != "chord"}
    scrambled, bare = r_data.read_solos(rda(hidden | notes)), r_data.read_solos(rda(notes))
    assert list(scrambled) == list(bare) == ["3", "12"]
    for number, reading in bare.items():
        assert columns_of(scrambled[number].notes) == columns_of(reading.notes)
    scrambled_bass, bass = r_data.read_bass(rda(hidden | beats)), r_data.read_bass(rda(beats))
    assert {number: columns_of(piece) for number, piece in scrambled_bass.items()} == {"3": columns_of(bass["3"])}


def check_message(call, words):
    with pytest.raises(ReadError) as caught:
        call()
    message = str(caught.value)
    assert words in message
    assert "accepted:" in message
    assert "\n" not in message
    assert len(message) < 200


BAD_NOTES = [
    ("onsets go back", {"onset": [7.0, 9.0, 1.0, 1.5, 1.25, 2.75]}, "the onsets of solo 3 go back"),
    ("a negative time", {"onset": [7.0, 9.0, -1.0, 1.5, 2.5, 2.75]}, "'onset' holds -1 in solo 3"),
    ("no time", {"onset": [7.0, 9.0, 1.0, 1.5, NA, 2.75]}, "'onset' holds nan in solo 3"),
    ("endless", {"onset": [7.0, np.inf, 1.0, 1.5, 2.5, 2.75]}, "'onset' holds inf in solo 12"),
    ("no pitch", {"pitch_raw": [70, NA, 60, 64, 67, 72]}, "'pitch_raw' holds nan in solo 12"),
    ("no share", {"articulation_raw": [0.25, NA, 1.0, NA, 0.8, NA]}, "'articulation_raw' holds nan in solo 3"),
    ("a negative share", {"articulation_raw": [-0.25, NA, 1, 1, 1, NA]}, "'articulation_raw' holds -0.25 in solo 12"),
    ("no class", {"durclass_abs_raw": [0, 0, 0, 0, 0, 3000]}, "'durclass_abs_raw' holds 3000 in solo 3"),
    ("words", {"onset": list("abcdef")}, "'onset' holds other things than numbers"),
    ("half a number", {"melid": [1.5] * 6}, "'melid' does not number the solos"),
    ("no number", {"melid": [NA] + [1] * 5}, "'melid' does not number the solos"),
    ("a negative number", {"melid": [-1] * 6}, "'melid' does not number the solos"),
    ("a vast number", {"melid": [1e300] * 6}, "'melid' does not number the solos"),
]


@pytest.mark.parametrize(("changed", "words"), [row[1:] for row in BAD_NOTES], ids=[row[0] for row in BAD_NOTES])
def test_bad_note_events_say_what_is_accepted(rda, changed, words):
    check_message(lambda: r_data.read_solos(rda(NOTES | changed)), words)


BAD_BEATS = [
    ("a negative length", {"duration": [0.5, -0.5, 0.5, 0.5, 1, 1]}, "'duration' holds -0.5 in solo 3"),
    ("a name for a bass note", {"bass": ["36", "E", "43", "43", "", ""]}, "'bass' holds other things than numbers"),
    ("no beat", {"beat": [1, 2, NA, 4, 1, 1]}, "'beat' holds nan in solo 3"),
]


@pytest.mark.parametrize(("changed", "words"), [row[1:] for row in BAD_BEATS], ids=[row[0] for row in BAD_BEATS])
def test_bad_beats_say_what_is_accepted(rda, changed, words):
    check_message(lambda: r_data.read_bass(rda(BEATS | changed)), words)


READERS = [
    (r_data.read_solos, NOTES, ["melid", "onset", "pitch_raw", "articulation_raw", "durclass_abs_raw", "tatum"]),
    (r_data.read_bass, BEATS, ["melid", "onset", "duration", "period", "beat", "bass"]),
    (r_data.read_keys, DESCRIPTIONS, ["melid", "key"]),
    (r_data.read_titles, DESCRIPTIONS, ["melid", "title"]),
]


@pytest.mark.parametrize(("reader", "frame", "names"), READERS)
def test_absent_columns_are_named(rda, reader, frame, names):
    for name in names:
        less = {other: column for other, column in frame.items() if other != name}
        check_message(lambda less=less: reader(rda(less)), f"no columns '{name}'")


@pytest.mark.parametrize(("reader", "frame", "names"), READERS)
def test_frames_without_rows(rda, reader, frame, names):
    check_message(lambda: reader(rda(pd.DataFrame(frame).iloc[:0])), "'melid'")


@pytest.mark.parametrize("reader", [row[0] for row in READERS])
def test_files_that_are_no_r_data(rda, reader):
    whole = rda(NOTES)
    for data in (b"", b"\x1f\x8b", b"lantern", whole[:100], whole[:-30], gzip.compress(b"RDX2\nX\n"), whole[:50] * 9):
        check_message(lambda data=data: reader(data), "damaged or no R data")
    check_message(lambda: reader(b"\x00" * 32_000_001), "at most 32,000,000")


def test_files_of_several_objects(rda):
    # Two frames in one stream, joined by hand: the serialisation is a list of pairs that ends in a mark of four bytes.
    stream = gzip.decompress(rda(NOTES))
    head = stream.index(b"\x00\x00\x04\x02")
    assert stream.endswith(b"\x00\x00\x00\xfe")
    other = stream[head:].replace(b"frame", b"other", 1)
    check_message(lambda: r_data.read_solos(gzip.compress(stream[:-4] + other)), "2 objects")


def test_without_pyreadr_the_message_names_the_command(monkeypatch):
    monkeypatch.setitem(sys.modules, "pyreadr", None)  # as if it were not installed
    with pytest.raises(ReadError) as caught:
        r_data.read_solos(b"")
    assert str(caught.value).endswith("pip install 'keybench[corpora]'")


JUNK = """
import gzip, sys
import numpy as np
from keybench.corpora.readers import r_data
from keybench.errors import ReadError

rng = np.random.default_rng(0)
whole = np.frombuffer(gzip.decompress(open(sys.argv[1], "rb").read()), np.uint8)
outcomes = {"read": 0, "refused": 0}
for i in range(400):
    damaged = whole.copy()
    if i % 4 == 0:
        damaged = damaged[: rng.integers(len(whole))]
    elif i % 4 == 1:
        damaged = rng.integers(0, 256, 500, dtype=np.uint8)
    else:
        damaged[rng.integers(0, len(whole), 1 + i % 7)] = rng.integers(0, 256)
    data = damaged.tobytes() if i % 3 else gzip.compress(damaged.tobytes())
    try:
        solos = r_data.read_solos(data)
        assert all(np.isfinite(solo.notes.duration).all() for solo in solos.values())
        outcomes["read"] += 1
    except ReadError as error:
        assert "accepted:" in str(error) and "\\n" not in str(error)
        outcomes["refused"] += 1
assert min(outcomes.values()) > 0, outcomes
print("survived")
"""


def test_junk_does_not_bring_the_process_down(rda, tmp_path):
    # No source: the parser is a C library, so the proof runs in a process of its own.
    path = tmp_path / "whole.rda"
    path.write_bytes(rda(NOTES))
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
    done = subprocess.run(
        [sys.executable, "-W", "error::RuntimeWarning", "-c", JUNK, str(path)],
        capture_output=True,
        text=True,
        timeout=120,
        env=environment,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == "survived\n"


def test_nothing_is_left_in_the_temporary_folder(rda, tmp_path, monkeypatch):
    folder = tmp_path / "temporary"
    folder.mkdir()
    data = rda(NOTES)
    monkeypatch.setattr("tempfile.tempdir", str(folder))
    assert isinstance(r_data.read_solos(data)["3"], Reading)
    check_message(lambda: r_data.read_solos(data[:99]), "damaged")
    assert list(folder.iterdir()) == []
