"""The MIDI reader on small files of our own, put together byte by byte.

Unless a line says otherwise the source is the Standard MIDI Files 1.0 specification.
"""

import random
import struct
import subprocess
import sys
import time
from collections import defaultdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keybench.corpora.readers import midi
from keybench.errors import ReadError
from keybench.key import MODES
from keybench.notes import BASS, DOWNBEAT, STRONG, WEAK

W, S, D = WEAK, STRONG, DOWNBEAT
TICKS = 480


def variable(number):
    """Write a variable-length quantity."""
    digits = [number & 127]
    while number := number >> 7:
        digits.insert(0, 128 | number & 127)
    return bytes(digits)


def meta(kind, content):
    return bytes([0xFF, kind]) + variable(len(content)) + content


def name(text):
    return (0, meta(3, text.encode()))


def signature(when, sharps, minor=0):
    return (when, meta(0x59, struct.pack("bb", sharps, minor)))


def metre(when, beats, power):
    return (when, meta(0x58, bytes([beats, power, 24, 8])))


def program(number, channel=0):
    return (0, bytes([0xC0 | channel, number]))


def note(when, pitch, length=TICKS, channel=0):
    return [(when, bytes([0x90 | channel, pitch, 64])), (when + length, bytes([0x80 | channel, pitch, 0]))]


def chunk(*events):
    """Return a track chunk of events given as (tick, bytes) or lists of them."""
    flat = [event for item in events for event in (item if isinstance(item, list) else [item])]
    body, now = b"", 0
    for when, content in sorted(flat, key=lambda event: event[0]):
        body += variable(when - now) + content
        now = when
    body += b"\0" + meta(0x2F, b"")
    return b"MTrk" + struct.pack(">I", len(body)) + body


def midi_file(*chunks, ticks=TICKS, form=1, n_tracks=None):
    count = len(chunks) if n_tracks is None else n_tracks
    return b"MThd" + struct.pack(">IHHH", 6, form, count, ticks) + b"".join(chunks)


def tune(*pitches, length=TICKS):
    return [event for i, pitch in enumerate(pitches) for event in note(i * length, pitch, length)]


def rows(data, **options):
    piece = midi.read_notes(data, **options).notes
    table = zip(piece.onset, piece.duration, piece.pitch, strict=True)
    return sorted(tuple(round(float(value), 6) for value in row) for row in table)


def outcome(data):
    """Return the reading, or None and the words of the refusal."""
    try:
        return midi.read_notes(data), ""
    except ReadError as error:
        return None, str(error)


CONDUCTOR = chunk(metre(0, 4, 2), (0, meta(0x51, b"\x07\xa1\x20")), signature(0, 0))
PLAIN = midi_file(CONDUCTOR, chunk(tune(60, 62, 64, 65, 67)))


def test_times_are_in_quarters():
    data = midi_file(chunk(note(0, 60, 240), note(240, 64, 120), note(960, 67, 1440)))
    assert rows(data) == [(0, 0.5, 60), (0.5, 0.25, 64), (2, 3, 67)]
    assert rows(midi_file(chunk(note(0, 60, 240)), ticks=120)) == [(0, 2, 60)]


def test_running_status_and_silent_note_ons():
    body = b"\0\x90\x3c\x40\x60\x3c\0\0\x3e\x40\x60\x3e\0" + b"\0\xff\x2f\0"
    data = midi_file(b"MTrk" + struct.pack(">I", len(body)) + body, ticks=96)
    assert rows(data) == [(0, 1, 60), (1, 1, 62)]


def test_notes_of_no_length_stay():
    assert rows(midi_file(chunk(note(0, 60, 0), note(480, 62)))) == [(0, 0, 60), (1, 1, 62)]


def test_one_track_of_format_0():
    data = midi_file(chunk(metre(0, 3, 2), tune(60, 62, 64)), form=0)
    assert midi.read_notes(data).notes.accent.tolist() == [D, W, W]


def test_other_chunks_are_passed_over():
    data = midi_file(CONDUCTOR, b"XFIH\0\0\0\3abc", chunk(tune(60, 62)), n_tracks=2)
    assert rows(data) == [(0, 1, 60), (1, 1, 62)]


def test_tracks_are_parts():
    piece = midi.read_notes(midi_file(CONDUCTOR, chunk(tune(72, 74)), chunk(tune(60)), chunk(tune(48, 50)))).notes
    assert {part: piece.pitch[piece.part == part].tolist() for part in np.unique(piece.part)} == {
        0: [72, 74],
        1: [60],
        2: [48, 50],
    }


def test_drums_are_left_out():
    data = midi_file(chunk(tune(60)), chunk(note(0, 36, channel=9), note(480, 38, channel=9)))
    assert rows(data) == [(0, 1, 60)]


# General MIDI: programs 33 to 40, counted from 1, are basses.
@pytest.mark.parametrize(
    ("programs", "parts"),
    [
        ([0, 32, 48], [0, BASS, 1]),
        ([39, 0, 40], [BASS, 0, 1]),
        ([31, 40, 0], [0, 1, 2]),
        ([32, 35, 0], [0, 1, 2]),  # two: none is the bass
        ([33], [BASS]),
    ],
)
def test_bass(programs, parts):
    chunks = [chunk(program(number, i), note(0, 60 + i, channel=i)) for i, number in enumerate(programs)]
    piece = midi.read_notes(midi_file(*chunks)).notes
    assert [int(piece.part[piece.pitch == 60 + i][0]) for i in range(len(programs))] == parts


def test_a_track_called_bass_is_none():
    data = midi_file(chunk(name("melody"), tune(72)), chunk(name("Bass"), tune(36)))
    assert midi.read_notes(data).notes.part.tolist() == [0, 1]


def test_annotation_tracks_are_not_read():
    chords = chunk(name("chords"), metre(960, 3, 2), program(33), note(0, 48), note(0, 52), note(0, 55))
    data = midi_file(CONDUCTOR, chunk(tune(60, 62)), chords)
    assert len(rows(data)) == 5
    assert rows(data, annotation_tracks=(2,)) == [(0, 1, 60), (1, 1, 62)]
    one, other = (
        midi.read_notes(data, annotation_tracks=[2]),
        midi.read_notes(midi_file(CONDUCTOR, chunk(tune(60, 62)))),
    )
    assert one.notes.part.tolist() == other.notes.part.tolist() == [0, 0]
    assert one.bars.onset.tolist() == other.bars.onset.tolist() == [0]


ACCENTS = [  # common practice, no source
    ("common time", (4, 2), TICKS, [D, W, S, W, D, W]),
    ("three-four", (3, 2), TICKS, [D, W, W, D, W, W]),
    ("two-four", (2, 2), TICKS, [D, W, D, W, D, W]),
    ("six-eight", (6, 3), TICKS // 2, [D, W, W, S, W, W, D]),
    ("alla breve", (2, 1), TICKS, [D, W, S, W, D]),
    ("five-four", (5, 2), TICKS, [D, W, W, W, W, D]),
    ("eighths in common time", (4, 2), TICKS // 2, [D, W, W, W, S, W, W, W, D]),
]


@pytest.mark.parametrize(
    ("signature_", "length", "expected"), [row[1:] for row in ACCENTS], ids=[row[0] for row in ACCENTS]
)
def test_accents(signature_, length, expected):
    data = midi_file(chunk(metre(0, *signature_)), chunk(tune(*range(60, 60 + len(expected)), length=length)))
    assert midi.read_notes(data).notes.accent.tolist() == expected


def test_played_notes_that_miss_the_beat_a_little():
    data = midi_file(CONDUCTOR, chunk(note(20, 60), note(940, 62), note(1900, 64), note(1980, 65)))
    assert midi.read_notes(data).notes.accent.tolist() == [D, S, D, W]


def test_without_a_metre_nothing_is_accented():
    reading = midi.read_notes(midi_file(chunk(tune(60, 62, 64, 65))))
    assert reading.bars is None
    assert reading.notes.accent.tolist() == [W] * 4


def test_bars_follow_the_time_signatures():
    conductor = chunk(metre(0, 4, 2), metre(1920, 3, 2), metre(4800, 6, 3))
    bars = midi.read_notes(midi_file(conductor, chunk(tune(*range(60, 74))))).bars
    assert bars.onset.tolist() == [0, 4, 7, 10, 13]
    assert bars.number.tolist() == [1, 2, 3, 4, 5]
    assert (bars.end, bars.beat) == (16, 1)


def test_a_time_signature_within_a_bar_begins_a_new_one():
    reading = midi.read_notes(midi_file(chunk(metre(0, 4, 2), metre(480, 4, 2)), chunk(tune(60, 62, 64, 65, 67, 69))))
    assert reading.bars.onset.tolist() == [0, 1, 5]
    assert reading.notes.accent.tolist() == [D, D, W, S, W, D]


def test_bars_begin_with_the_first_time_signature():
    reading = midi.read_notes(midi_file(chunk(metre(960, 3, 2)), chunk(tune(60, 62, 64, 65, 67, 69))))
    assert reading.bars.onset.tolist() == [2, 5]
    assert reading.notes.accent.tolist() == [W, W, D, W, W, D]


def test_a_time_signature_after_the_end_makes_no_bar():
    reading = midi.read_notes(midi_file(chunk(metre(0, 4, 2), metre(4800, 3, 2)), chunk(tune(60, 62))))
    assert reading.bars.onset.tolist() == [0]
    assert midi.read_notes(midi_file(chunk(metre(960, 4, 2)), chunk(tune(60, 62)))).bars is None


@pytest.mark.parametrize(
    ("labels", "track"),
    [
        ([], "in A minor"),
        ([signature(0, -7, 1), signature(480, 7, 0)], "Dorian"),
        ([signature(0, 9, 3)], "bass"),
        ([(0, meta(1, b"F-sharp major")), (0, meta(6, b"Bb:maj")), (480, meta(5, b"la"))], ""),
        ([(0, meta(2, b"(c) K:Gmin")), (0, meta(4, b"drums")), (0, meta(7, b"chord")), (0, meta(0x7F, b"\0x"))], "?"),
    ],
)
def test_names_words_and_key_signatures_do_not_reach_the_notes(labels, track):
    # What an estimator must not see.
    plain = midi.read_notes(midi_file(chunk(metre(0, 4, 2)), chunk(tune(60, 62, 64)), chunk(tune(48))))
    data = midi_file(
        chunk(metre(0, 4, 2), name(track), *labels), chunk(name(track), *labels, tune(60, 62, 64)), chunk(tune(48))
    )
    found = midi.read_notes(data)
    assert found.notes.pitch.tolist() == [60, 62, 64, 48]
    for column in ("onset", "duration", "pitch", "part", "accent"):
        assert np.array_equal(getattr(found.notes, column), getattr(plain.notes, column))
    assert found.bars.onset.tolist() == plain.bars.onset.tolist()


@pytest.mark.parametrize(
    ("sharps", "minor", "tonic", "mode"),
    [  # common practice, no source: the circle of fifths
        (0, 0, 0, "major"),
        (1, 0, 7, "major"),
        (-1, 0, 5, "major"),
        (6, 0, 6, "major"),
        (-6, 0, 6, "major"),
        (-7, 0, 11, "major"),
        (7, 0, 1, "major"),
        (0, 1, 9, "minor"),
        (3, 1, 6, "minor"),
        (-3, 1, 0, "minor"),
    ],
)
def test_key_signatures(sharps, minor, tonic, mode):
    ((onset, key),) = midi.read_key_signatures(midi_file(chunk(signature(720, sharps, minor)), chunk(tune(60))))
    assert (onset, key.tonic, MODES[key.mode]) == (1.5, tonic, mode)


def test_key_signatures_come_in_order_and_from_any_track():
    data = midi_file(chunk(signature(960, 2)), chunk(signature(0, -1, 1), tune(60)))
    assert [(onset, str(key)) for onset, key in midi.read_key_signatures(data)] == [(0, "D minor"), (2, "D major")]
    assert midi.read_key_signatures(midi_file(chunk(tune(60)))) == []


@pytest.mark.parametrize(("sharps", "minor"), [(8, 0), (-8, 0), (127, 1), (0, 2), (0, -1)])
def test_key_signatures_that_name_no_key(sharps, minor):
    with pytest.raises(ReadError, match="accepted: -7"):
        midi.read_key_signatures(midi_file(chunk(signature(0, sharps, minor)), chunk(tune(60))))


TRACK = chunk(tune(60, 62))
ENDLESS = [(at, b"\x90\x3c\x40") for at in range(0, 2**33, 2**28 - 1)]
BAD = [
    ("empty", b"", "MThd"),
    ("no MIDI", b"X:1\nT:Harbour lamp reel\nK:C\nCDEF|\n", "MThd"),
    ("another header", b"RIFF\0\0\0\0RMIDdata\0\0\0\0" + PLAIN, "MThd"),
    ("header only", PLAIN[:14], "ends within track 0 of 2"),
    ("cut short in a track", PLAIN[:-3], "ends within track 1 of 2"),
    ("cut short between tracks", PLAIN[: 14 + len(CONDUCTOR)], "ends within track 1 of 2"),
    ("cut short in the head of a chunk", PLAIN[: 14 + len(CONDUCTOR) + 6], "ends within track 1 of 2"),
    ("a length beyond the end", midi_file(TRACK[:4] + b"\xff\xff\xff\xff" + TRACK[8:]), "ends within track 0 of 1"),
    ("format 2", midi_file(TRACK, form=2), "format 2"),
    ("no ticks", midi_file(TRACK, ticks=0), "division"),
    ("frames of film", midi_file(TRACK, ticks=0xE250), "division"),
    ("no notes", midi_file(CONDUCTOR), "no notes"),
    ("no tracks", midi_file(), "no notes"),
    ("drums only", midi_file(chunk(note(0, 36, channel=9))), "no notes"),
    ("notes that never end", midi_file(chunk((0, b"\x90\x3c\x40"))), "no notes"),
    ("a note beyond 127", midi_file(chunk((0, b"\x90\xbc\x40"), (480, b"\x80\xbc\x40"))), "damaged"),
    ("an event without its end", midi_file(b"MTrk\0\0\0\2\0\x90"), "damaged"),
    ("no beats", midi_file(chunk(metre(0, 0, 2)), TRACK), "time signature 0/4"),
    ("no unit", midi_file(chunk(metre(0, 4, 255)), TRACK), "time signature 4/"),
    ("endless", midi_file(chunk(note(2**28 - 1, 60))), "quarters"),
    ("beyond 32 bits", midi_file(chunk(*[note(at, 60, 1) for at, _ in ENDLESS])), "quarters"),
    ("huge", PLAIN + bytes(5_000_000), "at most 4,000,000"),
]


@pytest.mark.parametrize(("data", "words"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_damaged_files_say_what_is_accepted(data, words):
    with pytest.raises(ReadError) as caught:
        midi.read_notes(data)
    message = str(caught.value)
    assert words in message
    assert "accepted:" in message
    assert "\n" not in message


@pytest.mark.parametrize("data", [row[1] for row in BAD[:8]], ids=[row[0] for row in BAD[:8]])
def test_labels_of_damaged_files(data):
    with pytest.raises(ReadError, match="accepted:"):
        midi.read_key_signatures(data)


def test_many_small_bars_take_no_time():
    begin = time.perf_counter()
    reading = midi.read_notes(midi_file(chunk(metre(0, 1, 7)), chunk(note(0, 60, 40_000)), ticks=1))
    assert len(reading.bars.onset) == 40_000 * 32
    assert time.perf_counter() - begin < 10


def mutated(seed):
    """Damage a sound file in its bytes or, every other time, within a track whose length is then put right."""
    rng = random.Random(seed)
    body = chunk(tune(*range(48, 60)), program(33, 1), note(100, 36, channel=1), signature(960, 2))[8:]
    data = bytearray(body if seed % 2 else midi_file(CONDUCTOR, b"MTrk" + struct.pack(">I", len(body)) + body))
    kind = rng.randrange(5)
    at = rng.randrange(len(data))
    if kind == 0:
        for _ in range(rng.randrange(1, 8)):
            data[rng.randrange(len(data))] = rng.randrange(256)
    elif kind == 1:
        del data[at : at + rng.randrange(1, 30)]
    elif kind == 2:
        data[at:at] = rng.randbytes(rng.randrange(1, 30))
    elif kind == 3:
        del data[at:]
    else:
        data[at:] = rng.randbytes(rng.randrange(60))
    if seed % 2:
        data = bytearray(midi_file(CONDUCTOR, b"MTrk" + struct.pack(">I", len(data)) + data))
    return bytes(data)


def check_mutations():
    read = 0
    for seed in range(600):
        reading, message = outcome(mutated(seed))
        if reading is None:
            assert "accepted:" in message, (seed, message)
            assert "\n" not in message, (seed, message)
            continue
        read += 1
        notes = reading.notes
        assert len(notes.pitch) > 0, seed
        assert np.isfinite(notes.onset).all(), seed
        assert (notes.onset >= 0).all(), seed
        assert (notes.duration >= 0).all(), seed
    assert 20 < read < 580  # both kinds occur
    return read


def test_damaged_files_never_end_the_process():
    # In a process of its own, because a reader in C++ could take the tests down with it.
    run = subprocess.run([sys.executable, __file__], capture_output=True, text=True, timeout=120, check=False)
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith("read ")


@given(st.binary(max_size=200))
def test_rubbish_is_refused(junk):
    reading, message = outcome(junk)
    assert reading is None
    assert "accepted:" in message


notes_of_a_track = st.lists(
    st.tuples(st.integers(0, 5000), st.integers(0, 127), st.integers(1, 2000)), min_size=1, max_size=20
)


@given(st.lists(notes_of_a_track, min_size=1, max_size=4))
def test_what_is_written_is_read(tracks):
    # Notes of one pitch that overlap could be read in two ways: each pitch once per track.
    tracks = [list({pitch: (when, pitch, length) for when, pitch, length in track}.values()) for track in tracks]
    data = midi_file(*(chunk(*(note(*row) for row in track)) for track in tracks))
    expected = sorted((when / TICKS, length / TICKS, pitch) for track in tracks for when, pitch, length in track)
    assert rows(data) == [tuple(round(value, 6) for value in row) for row in expected]


def rows_of_music21(data):
    """Read onsets, durations and pitches with music21's reader of MIDI events, without its guesses at notation."""
    music21 = pytest.importorskip("music21")
    file = music21.midi.MidiFile()
    file.readstr(data)
    found = []
    for track in file.tracks:
        now, open_notes = 0, defaultdict(list)
        for event in track.events:
            if isinstance(event, music21.midi.DeltaTime):
                now += event.time
            elif event.isNoteOn():
                open_notes[event.channel, event.pitch].append(now)
            elif event.isNoteOff():
                begin = open_notes[event.channel, event.pitch].pop(0)
                found.append((begin / TICKS, (now - begin) / TICKS, event.pitch))
    return sorted(tuple(round(float(value), 6) for value in row) for row in found)


def test_notes_are_those_of_music21():
    data = midi_file(
        CONDUCTOR,
        chunk(program(0), note(0, 72, 700), note(130, 76, 350), note(480, 72, 1), note(485, 72, 100), note(961, 79)),
        chunk(program(40, 1), note(17, 60, 3000, 1), note(500, 64, 0, 1), note(1000, 67, 100, 1)),
    )
    assert len(rows(data)) == 8
    assert rows(data) == rows_of_music21(data)


if __name__ == "__main__":
    sys.stdout.write(f"read {check_mutations()}\n")
