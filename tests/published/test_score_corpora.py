"""The readers of scores on whole corpora: what loads, and whether partitura and music21 read the same.

The corpora are those of the manifests' origins in the folder that KEYBENCH_DATA names, and in music21's wheel, which
is read from disk; partitura 1.9 and music21 10.5 serve as references. Pieces are named by their file.
"""

import contextlib
import importlib.util
import io
import itertools
import json
import os
import re
import warnings
from collections import Counter
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from keybench.corpora.readers import kern, musicxml, roman_text
from keybench.key import MODES
from keybench.notes import BASS

pytestmark = pytest.mark.corpus

DATA = Path(os.environ.get("KEYBENCH_DATA") or Path(__file__).resolve().parents[2] / ".." / "shared" / "data")
CHORALES = DATA / "chorales-370" / "kern"
ANALYSES = DATA / "when-in-rome" / "Corpus" / "Early_Choral" / "Bach,_Johann_Sebastian" / "Chorales"
TEXTBOOK = DATA / "textbook-modulations"


def wheel():
    """Return the corpus folder in music21's wheel, or skip."""
    found = importlib.util.find_spec("music21")
    if found is None or not found.submodule_search_locations:
        pytest.skip("music21 is absent: install it with pip install 'keybench[corpora]'")
    return Path(found.submodule_search_locations[0]) / "corpus"


def files(folder, pattern):
    """Return the paths of a corpus, sorted, or skip."""
    found = sorted(folder.glob(pattern))
    if not found:
        pytest.skip(f"no {pattern} in {folder}: name the folder of the corpora in KEYBENCH_DATA")
    return found


def chorales():
    return files(CHORALES, "*.krn")


def textbook():
    return files(TEXTBOOK, "*/*.krn")


def palestrina():
    return files(wheel() / "palestrina", "*.krn")


KERN = {"chorales": (chorales, 370), "textbook": (textbook, 201), "palestrina": (palestrina, 1318)}
MANY = [pytest.param("chorales"), pytest.param("textbook"), pytest.param("palestrina", marks=pytest.mark.slow)]


def tokens(data):
    """Return the rows of the ``**kern`` spines as lists of tokens, by splitting alone (no file here splits a spine)."""
    lines = [line.split("\t") for line in data.decode("latin-1").splitlines() if line and line[0] != "!"]
    spines = [i for i, kind in enumerate(lines[0]) if kind == "**kern"]
    return [[line[i] for i in spines] for line in lines[1:]]


@pytest.mark.parametrize("name", MANY)
def test_every_score_is_read_to_its_last_note(name):
    # Reference: the tokens that hold a pitch and do not go on a tie, counted in the text.
    find, number = KERN[name]
    found = find()
    assert len(found) == number
    for path in found:
        data = path.read_bytes()
        written = [note for row in tokens(data) if row[0][0] not in "*=" for token in row for note in token.split(" ")]
        begun = [n for n in written if re.search("[a-gA-G]", n) and not re.search(r"[\]_q]", n)]
        going_on = [n for n in written if re.search(r"[\]_]", n)]
        reading = kern.read_notes(data)
        # A tie that leads to another pitch is no tie: those notes begin, too (the textbook examples reger 52 and 53).
        assert (
            len(begun) <= len(reading.notes.pitch) <= len(begun) + (len(going_on) if path.stem in ("52", "53") else 0)
        )
        numbers = [int(n) for row in tokens(data) if (n := "".join(re.findall(r"^=(\d+)", row[0])))]
        assert [n for n in reading.bars.number.tolist() if n in numbers] == numbers


# Partitura reads these otherwise, for reasons of its own; music21 reads them as here (see below). A note of a chord
# without a length becomes an eighth, ties in chords are lost:
CHORDS = {"ex18-4", "ex18-6", "ex18-7", "ex19-3", "ex19-4", "ex19-5", "ex19-6", "ex19-12", "ex27-7"}
# a tie joins different pitches:
TIES = {"52", "53"}
# with a breve in the part the grid has four parts to the quarter, too coarse for triplets:
TRIPLETS = {"Agnus_III_b", "Benedictus_66_b", "Kyrie_89"}
# a row lacks tokens of the text spines, and nothing is read:
ROWS = {"20", "41"}


def partitura_notes(path):
    from partitura.io.importkern import load_kern
    from partitura.score import GraceNote

    with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
        warnings.simplefilter("ignore")
        parts = load_kern(path, quiet=True).parts
    found = []
    for part in parts:
        (_, quarter) = part.quarter_durations()[0]
        notes = (note for note in part.notes_tied if not isinstance(note, GraceNote))
        found += [(note.start.t / quarter, note.duration_tied / quarter, note.midi_pitch) for note in notes]
    return found


def multiset(notes):
    return Counter((round(float(onset), 4), round(float(length), 4), round(float(p))) for onset, length, p in notes)


def own_notes(data):
    notes = kern.read_notes(data).notes
    return zip(notes.onset, notes.duration, notes.pitch, strict=True)


@pytest.mark.parametrize(
    ("name", "step", "different"),
    [
        ("chorales", 10, set()),
        ("textbook", 1, CHORDS | TIES | ROWS),
        pytest.param("chorales", 1, set(), marks=pytest.mark.slow),
        pytest.param("palestrina", 1, TRIPLETS, marks=pytest.mark.slow),
    ],
)
def test_notes_are_those_of_partitura(name, step, different):
    pytest.importorskip("partitura")
    found = set()
    for path in KERN[name][0]()[::step]:
        try:
            reference = multiset(partitura_notes(path))
        except IndexError:
            reference = None
        if reference != multiset(own_notes(path.read_bytes())):
            found.add(path.stem)
    assert found == different


def music21_notes(path, kind):
    import music21

    score = music21.converter.parse(path, format=kind, forceSource=True).toSoundingPitch().stripTies()
    return [
        (element.offset, element.quarterLength, pitch.midi)
        for element in score.flatten().notes
        if not element.duration.isGrace and "ChordSymbol" not in element.classes
        for pitch in element.pitches
    ]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "chosen"),
    [
        ("chorales", slice(0, None, 37)),
        ("palestrina", slice(0, None, 130)),
        ("palestrina", TRIPLETS),
        # In the four others music21 ties a whole chord where one of its notes is tied.
        ("textbook", (CHORDS | ROWS | {"53", "183b"}) - {"ex19-5", "ex19-6", "ex19-12", "ex27-7"}),
    ],
)
def test_notes_are_those_of_music21(name, chosen):
    pytest.importorskip("music21")
    paths = KERN[name][0]()
    paths = paths[chosen] if isinstance(chosen, slice) else [path for path in paths if path.stem in chosen]
    assert len(paths) >= 3
    for path in paths:
        own, reference = multiset(own_notes(path.read_bytes())), multiset(music21_notes(path, "humdrum"))
        assert own == reference, path.stem


def test_the_bass_of_a_chorale_is_its_first_spine():
    # Source: the corpus' readme.
    for path in chorales()[::20]:
        notes = kern.read_notes(path.read_bytes()).notes
        assert set(notes.part) == {BASS, 0, 1, 2}
        assert [notes.pitch[notes.part == part].mean() for part in (BASS, 0, 1, 2)] == sorted(
            notes.pitch[notes.part == part].mean() for part in (BASS, 0, 1, 2)
        )


def test_palestrina_labels():
    # Source: the key designations, counted by an independent script; 96 masses have one.
    found = [(kern.read_key(data), kern.read_work(data)) for data in (p.read_bytes() for p in palestrina())]
    labelled = [(key, work) for key, work in found if key is not None]
    assert Counter(MODES[key.mode] for key, _ in labelled) == {
        "dorian": 348, "mixolydian": 329, "major": 287, "minor": 154, "phrygian": 139,
    }  # fmt: skip
    assert len({work for _, work in labelled}) == 96
    assert all(work for _, work in found)


def test_textbook_keys():
    # Reference: the tokens counted in the text. In three examples the first notes are under a key without an arrow
    # ("C#:I"), as are single chords in seven others; only arrows count.
    late = []
    for path in textbook():
        data = path.read_bytes()
        keys = kern.read_text_keys(data)
        assert len(keys) == len(re.findall(rb"=>:", data)) > 0
        onsets = [onset for onset, _ in keys]
        notes = kern.read_notes(data).notes
        assert onsets == sorted(onsets)
        assert set(onsets) <= set(notes.onset)
        if onsets[0] > notes.onset.min():
            late.append(path.stem)
    assert set(late) == {"44a", "44b", "65"}


@cache
def pairs():
    """Return chords, keys and reading of each chorale that has an analysis, and the tune that it is on."""
    found = {}
    for path in files(ANALYSES, "*/analysis.txt"):
        score = CHORALES / f"chor{path.parent.name}.krn"
        if score.exists():
            text = path.read_text("utf-8")
            about = json.loads((path.parent / "remote.json").read_text("utf-8"))
            tune = {about.get("Zahn"), about.get("tune")} - {None, ""}
            chords, keys = roman_text.read_chords(text), roman_text.read_keys(text)
            found[path.parent.name] = (chords, keys, kern.read_notes(score.read_bytes()), tune)
    return found


def test_analyses_of_chorales_fit_their_scores():
    # Source of what is asked: nine of ten. The four that do not fit were compared by hand: 179 counts bars of half the
    # length; 197 counts a beat before bar 21 to bar 20, 333 has a second ending as a bar of its own, so that all later
    # bars are one off; 359 has a bar of two beats that the score does not. In 121 and 253 the score writes a repeat
    # out, and the analysis fits its second time.
    found = {name: roman_text.alignment(chords, r.notes, r.bars) for name, (chords, _, r, _) in pairs().items()}
    assert len(found) == 278
    assert {name for name, fit in found.items() if not fit.fits} == {"179", "197", "333", "359"}
    assert {name: fit.offset for name, fit in found.items() if fit.fits and fit.offset} == {"121": 4, "253": 5}
    assert not any(fit.transposition for fit in found.values() if fit.fits)


def test_analyses_of_other_chorales_do_not_fit():
    # No source: whatever pairs are wrong by intent must be refused; what is accepted of them is on the same tune.
    names = sorted(pairs())
    accepted, refused = [], 0
    for step in (1, 50):
        for i, name in enumerate(names):
            other = names[(i + step) % len(names)]
            reading = pairs()[other][2]
            fits = roman_text.alignment(pairs()[name][0], reading.notes, reading.bars).fits
            refused += not fits
            if fits:
                accepted.append((name, other))
    assert refused >= 0.95 * (refused + len(accepted))
    assert refused + len(accepted) == 2 * 278
    assert all(pairs()[name][3] & pairs()[other][3] for name, other in accepted)


def test_an_analysis_that_comes_late_in_the_second_half_does_not_fit():
    # No source: a bar is missing in the middle, as where a repeat is written out in one of the two only.
    refused = 0
    for chords, _, reading, _ in pairs().values():
        middle = chords[len(chords) // 2].measure
        moved = [
            roman_text.RomanChord(c.measure + (c.measure >= middle), c.beat, c.metre, c.root, c.third) for c in chords
        ]
        refused += not roman_text.alignment(moved, reading.notes, reading.bars).fits
    assert refused >= 0.95 * 278


# Analyses that begin after a chord or, in 121 and 253, with the second time.
LATE = {"087", "121", "137", "193", "253", "318"}


def test_spans_of_chorales_cover_the_music():
    for name, (chords, keys, reading, _) in pairs().items():
        fit = roman_text.alignment(chords, reading.notes, reading.bars)
        if not fit.fits:
            continue
        spans = roman_text.place(keys, reading.bars, reading.bars.end, fit.offset, fit.transposition)
        assert (spans[0].start == 0) == (name not in LATE)
        assert spans[-1].end == reading.bars.end >= (reading.notes.onset + reading.notes.duration).max()
        assert all(one.end == other.start for one, other in itertools.pairwise(spans))


FILE_NUMBERS = {"248(2).12": "248.12-2", "41.6s": "41.6"}  # numbers in the analyses, and in names of files


def wheel_pairs(name):
    corpus = wheel()
    if name == "madrigals":
        return [(path, path.with_suffix(".mxl")) for path in files(corpus / "monteverdi", "*.rntxt")]
    found = []
    for path in files(corpus / "bach" / "choraleAnalyses", "*.rntxt"):
        (number,) = re.findall(r"(?m)^BWV:\s*(\S+)", path.read_text("utf-8"))
        found.append((path, corpus / "bach" / f"bwv{FILE_NUMBERS.get(number, number)}.mxl"))
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "number", "misfits", "moved"),
    [
        # 011 has two more bars after the first quarter; of the moved ones two scores are in another key, and one writes
        # a repeat out.
        ("chorales", 20, {"riemenschneider011"},
         {"riemenschneider014": (0, -5), "riemenschneider015": (4, 0), "riemenschneider017": (0, 2)}),
        # Both scores have a passage of 12 and 11 bars that their analyses do not count.
        ("madrigals", 48, {"madrigal.4.1", "madrigal.4.2"}, {}),
    ],
)  # fmt: skip
def test_analyses_in_the_wheel_fit_their_scores(name, number, misfits, moved):
    pytest.importorskip("partitura")
    found = {}
    for path, score in wheel_pairs(name):
        reading = musicxml.read_notes(score.read_bytes())
        found[path.stem] = roman_text.alignment(
            roman_text.read_chords(path.read_text("utf-8")), reading.notes, reading.bars
        )
    assert len(found) == number
    assert {stem for stem, fit in found.items() if not fit.fits} == misfits
    places = {stem: (fit.offset, fit.transposition) for stem, fit in found.items() if fit.fits}
    assert {stem: place for stem, place in places.items() if place != (0, 0)} == moved


@pytest.mark.slow
@pytest.mark.parametrize(("folder", "step"), [("bach", 40), ("monteverdi", 6)])
def test_musicxml_notes_are_those_of_music21(folder, step):
    # Bar by bar, since music21 lets a part slip behind the others where a whole-bar rest is written too long (in ten
    # madrigals). Bars that only go on another (numbers with letters) count as its end here and not there.
    pytest.importorskip("partitura")
    music21 = pytest.importorskip("music21")
    for path in files(wheel() / folder, "*.mxl")[::step]:
        reading = musicxml.read_notes(path.read_bytes())
        notes, bars = reading.notes, reading.bars
        bar = np.searchsorted(bars.onset, notes.onset + 1e-6, side="right") - 1
        own = Counter(zip(notes.part.tolist(), bars.number[bar].tolist(), notes.pitch.tolist(), strict=True))
        score = music21.converter.parse(path, forceSource=True).toSoundingPitch()
        reference = Counter(
            (number, element.measureNumber, float(pitch.midi))
            for number, part in enumerate(reversed(score.parts))
            for element in part.stripTies().recurse().notes
            if not element.duration.isGrace and "ChordSymbol" not in element.classes
            for pitch in element.pitches
        )
        assert own == reference, path.stem


@pytest.mark.slow
def test_keys_and_chords_are_those_of_music21():
    # Reference: music21's romanText. It reads a variant without a number ("m49var") as the bar itself, and leaves the
    # chord before a change of key in the key of its origin when it copies the bar (madrigal 3.6, bar 53).
    music21 = pytest.importorskip("music21")
    paths = files(ANALYSES, "*/analysis.txt")[::15] + [path for path, _ in wheel_pairs("madrigals")[::4]]
    paths += [path for path, _ in wheel_pairs("chorales")[::4]]
    assert len(paths) > 30
    for path in paths:
        text = re.sub(r"(?m)^m\d+ ?var(?!\d).*$", "", path.read_text("utf-8"))
        score = music21.converter.parse(text, format="romanText")
        reference = Counter()
        for measure in score.parts[0].getElementsByClass("Measure"):
            for chord in measure.getElementsByClass("RomanNumeral"):
                if chord.tie is not None and chord.tie.type in ("stop", "continue") and not chord.lyric:
                    continue  # the chord before, held on
                for read in (chord, chord.pivotChord):
                    if read is not None and not re.search(r"no[13]|NC", read.figure):
                        place = (measure.number, round(float(chord.offset + measure.paddingLeft), 3))
                        reference[(*place, read.root().pitchClass)] += 1
        own = Counter((c.measure, round(c.offset, 3), c.root) for c in roman_text.read_chords(text))
        for place in ((53, 2.0, 0), (53, 2.0, 3)) if path.stem == "madrigal.3.6" else ():
            own.pop(place, None), reference.pop(place, None)
        assert own == reference, f"{path.parent.name}/{path.name}"
