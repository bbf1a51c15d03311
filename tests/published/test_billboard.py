"""The annotated popular songs and the chroma of their recordings, against references outside the readers.

Figures: an earlier, independent measurement on the 475 songs here with one home note; chord symbols: mir_eval; times
and pitches: the recordings themselves. Songs are known by number.
"""

import os
import re
from functools import cache
from pathlib import Path

import mir_eval.chord
import numpy as np
import pytest

from keybench.corpora.readers import chord_lines, chroma_csv
from keybench.estimators.profile_data import PROFILES
from keybench.notes import BASS, DOWNBEAT

DATA = Path(os.environ.get("KEYBENCH_DATA") or Path(__file__).resolve().parents[2] / ".." / "shared" / "data")
FOLDER = DATA / "billboard"
SONGS = sorted(FOLDER.glob("billboard-2.0-salami_chords/*/salami_chords.txt"))

pytestmark = [
    pytest.mark.corpus,
    pytest.mark.skipif(not SONGS, reason=f"no songs in {FOLDER}: set KEYBENCH_DATA to a folder that has billboard/"),
]


@cache
def texts():
    return {path.parent.name: path.read_bytes() for path in SONGS}


@cache
def notes(line="bass"):
    return {number: chord_lines.read_notes(data, line).notes for number, data in texts().items()}


@cache
def tonics():
    return {number: chord_lines.read_tonics(data) for number, data in texts().items()}


@cache
def frames():
    return {
        path.parent.name: chroma_csv.read_chroma(path.read_bytes())
        for path in sorted(FOLDER.glob("billboard-2.0-chordino/*/bothchroma.csv*"))
    }


@cache
def one_home():
    """Return the home note of each song that keeps one."""
    return {number: spans[0].tonic for number, spans in tonics().items() if len(spans) == 1}


def share_right(answer):
    """Return how often ``answer(number)`` is the home note of a song that keeps one."""
    return np.mean([answer(number) == tonic for number, tonic in one_home().items()])


def best_tonic(weights, name):
    """Return the tonic of the profile, moved to every tonic, that correlates best with weights over pitch classes."""
    pair = PROFILES[name]
    moved = [np.roll(profile, tonic) for profile in (pair.major, pair.minor) for tonic in range(12)]
    return int(np.argmax([np.corrcoef(weights, profile)[0, 1] for profile in moved])) % 12


def counts(piece):
    return np.bincount((piece.pitch % 12).astype(int), minlength=12)


def test_every_song_is_read():
    # Of the origin's 890 songs 524 are here.
    assert len(texts()) == 524
    assert sum(len(piece.pitch) for piece in notes().values()) == 68_118
    for piece, spans in zip(notes().values(), tonics().values(), strict=True):
        assert set(piece.part.tolist()) == {BASS}
        assert piece.pitch.min() >= 28
        assert piece.pitch.max() <= 39
        assert piece.duration.min() > 0
        assert piece.onset[0] >= spans[0].start == 0
        assert piece.onset[-1] + piece.duration[-1] <= spans[-1].end


def test_home_notes_and_families():
    assert len(one_home()) == 475  # the home note changes in 9 % of the songs
    families = [chord_lines.read_family(data) for data in texts().values()]
    assert [families.count(family) for family in ("major", "minor", "")] == [438, 82, 4]


def test_songs_recur():
    assert len({chord_lines.read_artist_title(data) for data in texts().values()}) == 439


def test_home_note_by_single_chord_roots():
    # Figures: first .745, last .55, most common .69; the latter counts each symbol once as it is written, while the
    # reader plays repeated lines out.
    roots = notes("root")
    assert share_right(lambda number: roots[number].pitch[0] % 12) == pytest.approx(0.745, abs=0.001)
    assert share_right(lambda number: roots[number].pitch[-1] % 12) == pytest.approx(0.55, abs=0.01)
    assert share_right(lambda number: counts(written_once(number)).argmax()) == pytest.approx(0.69, abs=0.005)
    assert share_right(lambda number: counts(roots[number]).argmax()) == pytest.approx(0.705, abs=0.001)


@cache
def written_once(number):
    """Return the chord roots of a song with no line repeated."""
    return chord_lines.read_notes(re.sub(rb"\| x\d+", b"|", texts()[number]), "root").notes


@pytest.mark.parametrize(("name", "expected"), [("krumhansl-kessler", 0.63), ("albrecht-shanahan", 0.375)])
def test_home_note_by_profiles_on_chord_roots(name, expected):
    found = share_right(lambda number: best_tonic(counts(written_once(number)), name))
    assert found == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(
    ("part", "name", "expected"), [("treble", "albrecht-shanahan", 0.825), ("bass", "krumhansl-kessler", 0.71)]
)
def test_home_note_by_profiles_on_chroma(part, name, expected):
    found = share_right(lambda number: best_tonic(getattr(frames()[number], part).mean(axis=0), name))
    assert found == pytest.approx(expected, abs=0.005)


def test_every_recording_has_its_frames():
    assert list(frames()) == list(texts())
    for number, chroma in frames().items():
        assert chroma.time[0] == 0
        assert np.diff(chroma.time) == pytest.approx(8 * 2048 / 44100, abs=0.001)  # averaged over 8 hops of the origin
        assert abs(chroma.time[-1] - tonics()[number][-1].end) < 10


def test_the_bass_line_sounds_in_the_recordings():
    """The bass that the chords imply is the strongest bin of the recording's bass, more often than any other note.

    It would not be if the order of the bins, the reading of the bass or the spreading of chords over time were wrong.
    """
    numbers = list(texts())[::6]

    def above(line, delay):
        """Return how often the strongest bin lies 0 to 11 semitones above the note, heard `delay` seconds later."""
        tally = np.zeros(12)
        for number in numbers:
            piece, chroma = notes(line)[number], frames()[number]
            middle = chroma.time + 0.186 - delay
            last = np.searchsorted(piece.onset, middle, side="right") - 1
            sounds = (last >= 0) & (middle < (piece.onset + piece.duration)[last])
            strongest = chroma.bass[sounds].argmax(axis=1)
            tally += np.bincount((strongest - piece.pitch[last[sounds]]).astype(int) % 12, minlength=12)
        return tally / tally.sum()

    now = above("bass", 0.0)
    assert now[0] > 0.6
    assert now[1:].max() < 0.15
    assert above("root", 0.0)[0] < now[0] - 0.02  # what stands after the slash is heard
    assert above("bass", 0.5)[0] < now[0] - 0.03  # half a second late or early is heard too
    assert above("bass", -0.5)[0] < now[0] - 0.03
    assert above("bass", 4.0)[0] < 0.35


@cache
def symbols():
    """Return every chord symbol of the songs, found without the reader."""
    bars = b"\n".join(
        line[line.index(b"|") : line.rindex(b"|")]
        for data in texts().values()
        for line in data.split(b"\n")
        if b"|" in line
    ).decode()
    return sorted(set(re.findall(r"[A-G][#b]*:[^\s|]+", bars)))


def one_chord(symbol, tonic="C"):
    return f"# metre: 4/4\n# tonic: {tonic}\n0.0\t| {symbol} |\n2.0\tend\n".encode()


def test_chord_symbols_are_read_as_mir_eval_reads_them():
    assert len(symbols()) == 758
    for symbol in symbols():
        root, _, bass = mir_eval.chord.encode(symbol)
        assert chord_lines.read_notes(one_chord(symbol), "root").notes.pitch % 12 == root, symbol
        assert chord_lines.read_notes(one_chord(symbol), "bass").notes.pitch % 12 == (root + bass) % 12, symbol
        bare = symbol.split("/")[0]  # mir_eval counts the bass among the tones
        tones = mir_eval.chord.encode(bare)[1]
        third = "major" if tones[4] else "minor" if tones[3] else ""
        assert chord_lines.read_family(one_chord(symbol, symbol.split(":")[0])) == third, symbol


SIGNS = re.compile(rb"[A-G][#b]*:[a-z0-9]+(\([#b0-9,]+\))?(/[#b]*\d+)?|\.|N|\*|&pause|\(\d/\d\)")


def test_the_signs_in_bars_are_those_that_the_reader_describes():
    beats = {b"4/4": 4, b"3/4": 3, b"5/4": 5, b"6/8": 2, b"12/8": 4}
    for number, data in texts().items():
        metre = b""
        for line in data.split(b"\n"):
            if line.startswith(b"# metre:"):
                metre = line.split(b":")[1].strip()
            if b"|" not in line:
                continue
            for bar in line[line.index(b"|") + 1 : line.rindex(b"|")].split(b"|"):
                signs = bar.split()
                assert all(SIGNS.fullmatch(sign) for sign in signs), number
                n_beats = beats[metre]
                if signs[0].startswith(b"("):
                    n_beats = int(signs.pop(0)[1:2])
                assert len(signs) in (1, 2, n_beats), number  # one fills the bar, two halve it, or one to a beat


@pytest.mark.parametrize(("mark", "least"), [(rb"\| x\d+", 0.8), (rb"\| ->", 0.95)])
def test_repeats_play_the_whole_line_and_elisions_take_no_time(mark, least):
    """Bars of marked lines last as long as the other bars of their song."""
    ratios = []
    for number, data in texts().items():
        piece = notes()[number]
        bars = piece.onset[piece.accent == DOWNBEAT]
        usual = np.median(np.diff(bars))
        lines = [line for line in data.split(b"\n") if re.match(rb"\d", line)]
        edges = [float(line.split(b"\t")[0]) for line in lines]
        for line, start, end in zip(lines[:-1], edges[:-1], edges[1:], strict=True):
            inside = bars[(bars >= start) & (bars < end)]
            if re.search(mark, line) and len(inside) > 1:
                ratios.append(np.median(np.diff(inside)) / usual)
    assert len(ratios) > 70
    assert np.median(ratios) == pytest.approx(1, abs=0.01)
    assert np.mean(np.abs(np.array(ratios) - 1) < 0.1) > least
