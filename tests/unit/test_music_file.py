"""Music of one file of one's own: every kind it accepts, with the notes of the readers, and every bad file one line."""

import numpy as np
import pytest

from keybench.corpora.music_file import read_music
from keybench.errors import ReadError

# The same five notes, D E F A D, written by hand in each notation.
FIVE = [62, 64, 65, 69, 62]
ABC = "X:1\nT:Harbour gate\nL:1/4\nM:4/4\nK:Ddor\nDEFA|D4|]\n"
KERN = "**kern\n*M4/4\n=1\n4d\n4e\n4f\n4a\n=2\n1d\n==\n*-\n"
GABC = "name: Gate;\n%%\n(c4) A(d) ve(e) ma(f) ri(h) a(d) (::)\n"
XML = (
    '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>x</part-name></score-part></part-list>'
    '<part id="P1"><measure number="1"><attributes><divisions>1</divisions><time><beats>5</beats><beat-type>4'
    "</beat-type></time></attributes>"
    + "".join(
        f"<note><pitch><step>{step}</step><octave>4</octave></pitch><duration>1</duration></note>" for step in "DEFAD"
    )
    + "</measure></part></score-partwise>"
)


@pytest.mark.parametrize(
    ("name", "text"),
    [("a.abc", ABC), ("a.krn", KERN), ("a.KRN", KERN), ("a.gabc", GABC), ("a.xml", XML), ("a.musicxml", XML)],
)
def test_five_notes_in_every_notation(tmp_path, name, text):
    (tmp_path / name).write_text(text)
    names, notes = read_music(tmp_path / name)
    assert names == [name]
    assert (notes.pitch % 12).astype(int).tolist() == [pitch % 12 for pitch in FIVE]


def test_midi_as_another_library_wrote_it(tmp_path):
    symusic = pytest.importorskip("symusic")
    score = symusic.Score(480)
    track = symusic.Track()
    for i, pitch in enumerate(FIVE):
        track.notes.append(symusic.Note(480 * i, 480, pitch, 80))
    score.tracks.append(track)
    score.dump_midi(str(tmp_path / "gate.mid"))
    names, notes = read_music(tmp_path / "gate.mid")
    assert names == ["gate.mid"]
    assert notes.pitch.tolist() == FIVE
    np.testing.assert_allclose(notes.onset, np.arange(5.0))


def test_a_file_of_several_tunes(tmp_path):
    (tmp_path / "book.abc").write_text(ABC + "\n" + ABC.replace("X:1", "X:7").replace("DEFA", "DEFG"))
    names, notes = read_music(tmp_path / "book.abc")
    assert names == ["book.abc 1", "book.abc 7"]
    assert notes[1].pitch.tolist() == [62, 64, 65, 67, 62]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.wav", b"RIFF", "unknown kind of file '.wav'; accepted: .abc"),
        ("a", b"", "unknown kind of file ''"),
        ("a.abc", b"", "no tune; accepted: ABC with an X: line"),
        ("a.abc", b"\xff\xfe\x00", "no tune"),
        ("a.krn", b"", "a.krn: "),
        ("a.mid", b"not midi", "a.mid: "),
        ("a.xml", b"<a/>", "a.xml: "),
        ("a.gabc", b"", "a.gabc: "),
        ("a.tsv", b"x\ty\n1\t2\n", "a.tsv: "),
    ],
)
def test_bad_files(tmp_path, name, content, says):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(ReadError) as error:
        read_music(tmp_path / name)
    assert says in str(error.value)
    assert "\n" not in str(error.value)


def test_files_that_are_not_there(tmp_path):
    with pytest.raises(ReadError, match=r"cannot be read .*; accepted: a file that exists"):
        read_music(tmp_path / "gone.abc")
    (tmp_path / "folder.abc").mkdir()
    with pytest.raises(ReadError, match="cannot be read"):
        read_music(tmp_path / "folder.abc")
