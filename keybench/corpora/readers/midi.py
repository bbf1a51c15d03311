"""Standard MIDI files: notes through symusic, labels from the key-signature events.

Names of tracks, words, markers and key signatures never reach the notes. A track of chord symbols written out as notes
is an annotation, not music, and looks like any other: say which chunks hold one (`read_notes`) and they are taken out
of the bytes before anything is read.

Every chunk is checked against the length of the file before symusic sees it (it reads a file that was cut short between
two tracks without a word), and the checked chunks are put together anew, so that nothing else in the file counts.

Choices:

- A track is a part, and so is each further program or channel in it. Channel 10 (drums) is left out.
- A bass is a track with one of the General MIDI bass programs (33 to 40 counted from 1), if there is just one such.
- Bars are laid out from the time signatures. A note is accented if it begins within a sixty-fourth note of the
  beginning of a bar or of another strong beat (`Metre.group`), since played notes miss the beat a little. Without a
  time signature nothing is accented.
- A note that never ends is left out.
"""

from __future__ import annotations

import struct
from collections.abc import Collection
from typing import Any

import numpy as np

from keybench.corpora.readers.metre import Metre
from keybench.corpora.readers.reading import Bars, Reading
from keybench.errors import ReadError
from keybench.key import MAJOR, MINOR, Key
from keybench.notes import BASS, DOWNBEAT, STRONG, WEAK, FloatArray, IntArray, Piece

_MAX_BYTES = 4_000_000
_MAX_QUARTERS = 50_000
_HEADER_BYTES = 14
_BASS_PROGRAMS = range(32, 40)
_NEAR = 1 / 16  # quarters
_ROUNDING = 1e-9  # bars


def read_notes(data: bytes, annotation_tracks: Collection[int] = ()) -> Reading:
    """Read the notes of one piece.

    Parameters
    ----------
    data : bytes
        A Standard MIDI file of format 0 or 1.
    annotation_tracks : collection of int, optional
        Track chunks of the file, counted from 0, that hold chord symbols or the like and are not to be read. The first
        chunk of format 1 usually holds tempo and signatures only, and counts.

    Returns
    -------
    Reading
        In quarter notes; parts 0, 1, ... and `BASS`; with bars if there is a time signature.

    Raises
    ------
    ReadError
        If the file is too large, damaged, counted in seconds, or holds no notes.
    """
    score = _read_score(data, annotation_tracks)
    per_quarter = float(score.ticks_per_quarter)
    tracks = [track for track in score.tracks if not track.is_drum and len(track.notes)]
    if not tracks:
        raise ReadError("no notes; accepted: a MIDI file with at least one note that is not a drum's")
    columns = [track.notes.numpy() for track in tracks]
    onset = np.concatenate([notes["time"] for notes in columns]) / per_quarter
    duration = np.concatenate([notes["duration"] for notes in columns]) / per_quarter
    end = float((onset + duration).max())
    if end > _MAX_QUARTERS or onset.min() < 0:  # times beyond 32 bits come back as negative
        raise ReadError(f"a piece of more than {_MAX_QUARTERS:,} quarters; accepted: at most that many")
    parts = np.arange(len(tracks))
    basses = [track.program in _BASS_PROGRAMS for track in tracks]
    if sum(basses) == 1:
        parts = np.where(basses, BASS, np.cumsum(np.logical_not(basses)) - 1)
    metres = [metre for metre in _metres(score) if metre.onset < end]
    bars, group = _lay_out_bars(metres, end) if metres else (None, np.zeros(0))
    notes = Piece(
        onset=onset,
        duration=duration,
        pitch=np.concatenate([notes["pitch"] for notes in columns]).astype(float),
        part=np.repeat(parts, [len(notes["time"]) for notes in columns]),
        accent=_accents(onset, bars.onset, group) if bars else np.full(len(onset), WEAK),
    )
    return Reading(notes, bars)


def read_key_signatures(data: bytes) -> list[tuple[float, Key]]:
    """Return the key-signature events: when each takes effect, in quarters, and its key, major or minor.

    Raises
    ------
    ReadError
        See `read_notes`; also if an event names no key.
    """
    score = _read_score(data)
    keys = []
    for event in sorted(score.key_signatures, key=lambda event: event.time):
        if not -7 <= event.key <= 7 or event.tonality not in (0, 1):
            raise ReadError(
                f"key signature {event.key}, mode {event.tonality}; accepted: -7 (flats) to 7 (sharps), mode 0 or 1"
            )
        tonic = (7 * event.key + (9 if event.tonality else 0)) % 12
        keys.append((event.time / score.ticks_per_quarter, Key(tonic, MINOR if event.tonality else MAJOR)))
    return keys


def _read_score(data: bytes, left_out: Collection[int] = ()) -> Any:
    """Check the chunks of a file and read those that are wanted."""
    import symusic

    division, tracks = _chunks(data)
    kept = [track for number, track in enumerate(tracks) if number not in left_out]
    header = b"MThd" + struct.pack(">IHHH", 6, 1, len(kept), division)
    clean = header + b"".join(b"MTrk" + struct.pack(">I", len(track)) + track for track in kept)
    try:
        return symusic.Score.from_midi(clean)
    except Exception as error:  # the binding raises RuntimeError or its own types
        reason = (
            " ".join(str(error).split()).removeprefix("MiniMidi: ").split("!")[0].removesuffix(": iostream error")[:80]
        )
        raise ReadError(f"damaged events ({reason}); accepted: a Standard MIDI file") from None


def _chunks(data: bytes) -> tuple[int, list[bytes]]:
    """Return the ticks per quarter and the contents of the track chunks that the header announces."""
    if len(data) > _MAX_BYTES:
        raise ReadError(f"a file of {len(data):,} bytes; accepted: at most {_MAX_BYTES:,}")
    if len(data) < _HEADER_BYTES or data[:8] != b"MThd\0\0\0\6":
        raise ReadError("no MIDI header; accepted: a Standard MIDI file, which begins with MThd")
    form, n_tracks, division = struct.unpack(">HHH", data[8:_HEADER_BYTES])
    if form > 1:
        raise ReadError(f"MIDI format {form}; accepted: 0 and 1, whose tracks sound together")
    if not 0 < division < 0x8000:
        raise ReadError(f"division {division:#06x}; accepted: 1 to 32767 ticks per quarter, not frames per second")
    tracks: list[bytes] = []
    position = _HEADER_BYTES
    while len(tracks) < n_tracks:
        start = position + 8
        size = struct.unpack(">I", data[position + 4 : start])[0] if start <= len(data) else len(data)
        if start + size > len(data):
            raise ReadError(f"the file ends within track {len(tracks)} of {n_tracks}; accepted: a whole MIDI file")
        if data[position : position + 4] == b"MTrk":  # other kinds of chunk are to be passed over
            tracks.append(data[start : start + size])
        position = start + size
    return division, tracks


def _metres(score: Any) -> list[Metre]:
    """Return the time signatures by onset."""
    metres = []
    for event in sorted(score.time_signatures, key=lambda event: event.time):
        if event.numerator < 1 or event.denominator < 1:
            signature = f"{event.numerator}/{event.denominator}"
            raise ReadError(f"time signature {signature}; accepted: a beat or more, none longer than a whole note")
        metres.append(Metre(event.time / score.ticks_per_quarter, event.numerator, event.denominator))
    return metres


def _lay_out_bars(metres: list[Metre], end: float) -> tuple[Bars, FloatArray]:
    """Lay out bars from the first time signature to the end of the music.

    A new time signature begins a new bar, wherever it stands.

    Parameters
    ----------
    metres : list of Metre
        One or more, by onset, each before the end.
    end : float
        In quarter notes.

    Returns
    -------
    bars : Bars
        `beat` is that of the first time signature.
    group : float array, shape (n_bars,)
        Distance between the strong beats of each bar, in quarter notes.
    """
    limits = [*(metre.onset for metre in metres[1:]), end]
    counts = [
        int(np.ceil((limit - metre.onset) / metre.bar - _ROUNDING)) for metre, limit in zip(metres, limits, strict=True)
    ]
    onset = np.concatenate([m.onset + m.bar * np.arange(count) for m, count in zip(metres, counts, strict=True)])
    bars = Bars(np.arange(1, len(onset) + 1), onset, metres[-1].onset + metres[-1].bar * counts[-1], metres[0].unit)
    return bars, np.repeat([metre.group for metre in metres], counts)


def _accents(onset: FloatArray, bars: FloatArray, group: FloatArray) -> IntArray:
    """Return the accents of notes, given where bars begin and how far apart the strong beats of each are."""
    bar = np.searchsorted(bars, onset + _NEAR, side="right") - 1
    position = onset - bars[bar]
    beats = position / group[bar]
    strong = np.abs(beats - np.round(beats)) * group[bar] <= _NEAR
    strength = np.select([position <= _NEAR, strong], [DOWNBEAT, STRONG], WEAK)
    return np.where(bar >= 0, strength, WEAK)
