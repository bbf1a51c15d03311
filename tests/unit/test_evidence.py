"""Evidence in words and as data, on lines worked by hand.

The setting is made up: the band of a river ferry, whose players learn its signals and dances by ear. All lines are our
own; every count below was made by hand from the line above it.
"""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.estimators import make
from keybench.estimators.checks import small_corpus
from keybench.estimators.evidence import degree_name, describe, spelled
from keybench.key import KEY_NAMES, MINOR, N_KEYS, Key, key_at, parse_key
from keybench.notes import DOWNBEAT, STRONG, NoteTable, Piece

PITCH = {
    "C": 60,
    "C#": 61,
    "D": 62,
    "Eb": 63,
    "E": 64,
    "F": 65,
    "F#": 66,
    "G": 67,
    "Ab": 68,
    "A": 69,
    "Bb": 70,
    "B": 71,
}


def said(**probability):
    """Log-probabilities that give some keys what is stated and the others what is left, in equal parts."""
    named = {parse_key(name.replace("_", " ").replace("flat", "-flat")).index: p for name, p in probability.items()}
    p = np.full(N_KEYS, (1 - sum(named.values())) / (N_KEYS - len(named)))
    for index, share in named.items():
        p[index] = share
    return np.log(p)


def line(text, length=1.0, pickup=0.0, bar=4.0, strong=(2.0,), unit="quarter"):
    """Notes of equal length in bars; `pickup` quarters come before the first full bar."""
    names = text.split()
    onset = np.arange(len(names)) * length
    within = np.mod(onset - pickup, bar)
    accent = np.where(within == 0, DOWNBEAT, np.where(np.isin(within, strong), STRONG, 0))
    pitch = np.array([float(PITCH[name]) for name in names])
    return NoteTable.from_pieces([Piece(onset, np.full(len(names), length), pitch, None, accent)], unit)


# The mooring call: one note of pickup, then bars of four. F-sharp is the first note of bar 4; E sounds twice, E-flat
# never; G comes 6 times of 27, B-flat 3 times; strong beats (first and third of each bar) are
# G A | C E | C Bb | F# A | G E | D A | G: 13 of them, G on 3, B-flat on 1.
CALL = "D  G G A Bb  C D E D  C A Bb A  F# G A Bb  G D E F  D C A F  G G"


def test_the_mooring_call_against_a_key_one_note_away():
    found = describe(line(CALL, pickup=1), said(G_Dorian=0.7, Bflat_major=0.2), ["Says the ferryman."], calibrated=True)
    assert found.words == [
        "Says the ferryman.",
        "Most probable: G Dorian (70%), then B-flat major (20%).",
        "Of 100 answers given this surely, about 70 are right.",
        "26 of 27 notes lie in the scale of G Dorian; it opens on D (the fifth) and ends on G (the home note).",
        "Outside that scale: F-sharp in bar 4, beat 1.",
        "B-flat major (one scale note apart) would need E-flat: 0 of 27 notes; it has no E natural: 2 of 27 notes.",
        "For G as home rather than B-flat: it ends on G; G falls on 3 of 13 strong beats, B-flat on 1; "
        "G sounds for 22 % of the time, B-flat for 11 %; G comes 6 times, B-flat 3 times.",
    ]
    assert found.outside == [(13.0, "F-sharp")]
    assert found.places == ["bar 4, beat 1"]
    assert (found.first_degree, found.last_degree, found.sure, found.n_heard) == ("fifth", "home note", True, 27)
    assert found.rival.needs == [("E-flat", 0)]
    assert found.rival.lacks == [("E", 2)]
    assert found.rival.for_rival == []


def test_the_mooring_call_against_the_same_notes_and_the_same_home():
    relative = describe(line(CALL, pickup=1), said(G_Dorian=0.6, F_major=0.3), [])
    assert "F major has the same seven notes with another home note, so only the home note tells them apart." in (
        relative.words
    )
    assert relative.rival.needs == relative.rival.lacks == []
    parallel = describe(line(CALL, pickup=1), said(G_Dorian=0.6, G_minor=0.3), [])
    assert parallel.words[-1] == (
        "G minor (the same home note with another scale) would need E-flat: 0 of 27 notes; "
        "it has no E natural: 2 of 27 notes."
    )
    assert parallel.rival.for_answer == parallel.rival.for_rival == []


def test_what_speaks_for_the_runner_up_is_said_too():
    # E-flat three times, E never; opens and ends on B-flat, which comes 4 times, G once.
    found = describe(line("Bb C D Eb F Eb D Bb C Eb F G A Bb F Bb"), said(G_Dorian=0.5, Bflat_major=0.45), [])
    assert (
        "B-flat major (one scale note apart) would need E-flat: 3 of 16 notes; it has no E natural: 0 of 16 notes."
        in (found.words)
    )
    assert "Those notes alone speak rather for B-flat major." in found.words
    assert found.words[-1].startswith("For B-flat as home: it ends on B-flat; it opens on B-flat; B-flat falls on ")
    assert found.words[-1].endswith("B-flat comes 4 times, G once.")
    assert found.rival.for_answer == []


def test_notes_that_do_not_tell_keys_apart():
    # Neither F nor F-sharp is heard, and C and G come equally often, nowhere at an edge, on equally strong beats.
    found = describe(line("D C G E D C G E", strong=()), said(G_major=0.5, C_major=0.4), [])
    assert "Those notes alone do not tell the two apart." in found.words
    assert found.words[-1] == "Ends, strong beats, length and repetition do not tell G from C as home."


def test_far_keys_are_counted_together():
    found = describe(line(CALL, pickup=1), said(G_Dorian=0.6, E_major=0.3), [])
    assert found.rival.relation == "other"
    assert [name for name, _ in found.rival.needs] == ["F-sharp", "G-sharp", "B", "C-sharp", "D-sharp"]
    # F-sharp once, B never. G 6, B-flat 3, C 3, D 5, F 2.
    assert any(
        "E major (further away) would need F-sharp, G-sharp, B natural, C-sharp and D-sharp: together 1 of 27 notes; "
        in words
        for words in found.words
    )
    assert sum(count for _, count in found.rival.lacks) == 19


def test_six_eighths_are_counted_in_two():
    # Eighths; strong at the fourth of six. C-sharp is the third eighth of bar 2, F-sharp the fourth of bar 3.
    jig = "D E F A G F  E F C# D A F  D E F F# G A  D D D D D D  D"
    found = describe(line(jig, 0.5, bar=3.0, strong=(1.5,)), said(D_minor=0.9), [])
    assert found.places == ["bar 2, after beat 1", "bar 3, beat 2"]
    assert [name for _, name in found.outside] == ["C-sharp", "F-sharp"]


def test_quarters_between_beats_and_a_pickup_in_bar_nothing():
    # Three quarters, eighth notes, one quarter of pickup: F-sharp is the second eighth of the pickup (beat counted from
    # the bar that is not there), the next F-sharp the fourth eighth of bar 1.
    waltz = "C F#  C D E F# G G  C D E F G G  C D E F G G  C C C C C C  C"
    found = describe(line(waltz, 0.5, pickup=1.0, bar=3.0, strong=()), said(C_major=0.9), [])
    assert found.places == ["bar 0, after beat 3", "bar 1, after beat 2"]


def test_where_only_bars_or_nothing_of_the_metre_is_known():
    seconds = describe(line("C D E F# G A B C G E C D E F G A C", unit="second"), said(C_major=0.9), [])
    assert seconds.places == ["bar 1"]
    loose = NoteTable.from_notes([60, 66, 67, 60], [1, 0.5, 0.5, 1])
    found = describe(loose, said(C_major=0.9), [])
    assert found.places == ["1"]
    assert "Outside that scale: F-sharp at 1 (onsets in quarters)." in found.words


@pytest.mark.parametrize(
    ("pitches", "expected"),
    [
        ([], ["No notes were heard: this is only what is common."]),
        (
            [62],
            [
                "Only one note was heard; a scale has seven.",
                "1 of 1 note lies in the scale of D minor; "
                "it opens on D (the home note) and ends on D (the home note).",
                "F major has the same seven notes with another home note, so only the home note tells them apart.",
                "For D as home rather than F: it ends on D; it opens on D; D sounds for 100 % of the time, F for 0 %; "
                "D comes once, F never.",
            ],
        ),
        (
            [69, 65],
            [
                "Only two notes were heard; a scale has seven.",
                "2 of 2 notes lie in the scale of D minor; it opens on A (the fifth) and ends on F (the third).",
                "F major has the same seven notes with another home note, so only the home note tells them apart.",
                "For F as home: it ends on F; F sounds for 50 % of the time, D for 0 %; F comes once, D never.",
            ],
        ),
    ],
)
def test_hardly_any_notes(pitches, expected):
    found = describe(NoteTable.from_notes(pitches), said(D_minor=0.2, F_major=0.15), [])
    assert found.words == [
        "Most probable: D minor (20%), then F major (15%).",
        "Not sure: it may be D minor, and it may well be F major or another key.",
        *expected,
    ]
    assert not found.sure
    assert found.n_heard == len(pitches)
    assert (found.rival is None) == (not pitches)


def test_words_of_confidence():
    def words(p, **options):
        return describe(line("C D E F G A B C"), said(C_major=p), [], **options).words

    assert "Of 100 answers given this surely, nearly all are right." in words(0.998, calibrated=True)
    assert words(0.998)[0].startswith("Most probable: C major (more than 99%), then ")
    assert not any("Of 100" in sentence for sentence in words(0.93))  # no promise where nothing was held against truth
    assert "Of 100 answers given this surely, about 93 are right." in words(0.93, calibrated=True)
    assert not any(sentence.startswith("Not sure") for sentence in words(0.93))
    assert any(sentence.startswith("Not sure") for sentence in words(0.93, sure_from=0.95))


def test_recordings():
    treble = np.zeros((4, 12), dtype=np.float32)
    treble[:, [0, 4, 7]] = [6.0, 2.0, 1.0]
    treble[:, 6] = 1.0
    bass = np.zeros((4, 12), dtype=np.float32)
    chroma = ChromaTable.from_frames([(np.arange(4.0), bass, treble)])
    found = describe(chroma, said(C_major=0.6, G_major=0.3), [])
    assert found.words[1:] == [
        "90 % of the energy lies in the scale of C major; the strongest note is C.",
        "G major (a fifth above) would need F-sharp: 10 % of the energy; it has no F natural: 0 % of the energy.",
        "Those notes alone speak rather for G major.",
        "For C as home rather than G: C has 60 % of the energy, G 10 %.",
    ]
    both = describe(BothTable(line("C D E F G A B C"), chroma), said(C_major=0.6, G_major=0.3), [])
    assert both.words[-1] == (
        "In the recording: 90 % of the energy lies in the scale of C major; the strongest note is C."
    )
    assert both.scale_fit["major"] == (8, 8)
    silent = describe(ChromaTable.from_frames([([], np.zeros((0, 12)), np.zeros((0, 12)))]), said(C_major=0.6), [])
    assert silent.words[-1] == "Nothing was heard: this is only what is common."


# Reference: the spelling of these scales in any primer of music theory.
SPELLED = {
    "B-flat minor": "B-flat C D-flat E-flat F G-flat A-flat",
    "F-sharp major": "F-sharp G-sharp A-sharp B C-sharp D-sharp E-sharp",
    "C-sharp Locrian": "C-sharp D E F-sharp G A B",
    "G Dorian": "G A B-flat C D E F",
    "E Phrygian": "E F G A B C D",
    "F Lydian": "F G A B C D E",
    "A-flat Mixolydian": "A-flat B-flat C D-flat E-flat F G-flat",
}


@pytest.mark.parametrize("name", SPELLED)
def test_scales_are_spelled_as_in_primers(name):
    key = parse_key(name)
    assert " ".join(spelled(int(pc), key) for pc in key.scale()) == SPELLED[name]


@pytest.mark.parametrize("name", KEY_NAMES)
def test_every_scale_has_each_letter_once_and_every_name_is_its_pitch(name):
    key = parse_key(name)
    assert len({spelled(int(pc), key)[0] for pc in key.scale()}) == 7
    for pc in range(12):
        written = spelled(pc, key)
        letter = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[written[0]]
        sign = (-2 if "double" in written else -1) if "flat" in written else (2 if "double" in written else 1)
        assert (letter + sign * (len(written) > 1)) % 12 == pc


def test_notes_outside_are_written_as_players_write_them():
    assert spelled(8, parse_key("A minor")) == "G-sharp"
    assert spelled(10, parse_key("A minor")) == "B-flat"
    assert [spelled(pc, parse_key("C major")) for pc in (1, 3, 6, 8, 10)] == [
        "C-sharp", "E-flat", "F-sharp", "A-flat", "B-flat",
    ]  # fmt: skip
    assert degree_name(8, parse_key("A minor")) == "note outside the scale"
    assert degree_name(4, Key(9, MINOR)) == "fifth"


def test_everything_goes_into_json_and_back():
    found = describe(line(CALL, pickup=1), said(G_Dorian=0.7, Bflat_major=0.2), [], calibrated=True)
    data = json.loads(json.dumps(found.to_dict()))
    assert data["ranked"][0] == {"key": "G Dorian", "probability": pytest.approx(0.7)}
    assert data["outside"] == [{"onset": 13.0, "note": "F-sharp", "place": "bar 4, beat 1"}]
    assert data["scale_fit"]["Dorian"] == {"inside": 26, "of": 27}
    assert data["rival"]["needs"] == [{"note": "E-flat", "heard": 0}]
    assert data["words"] == found.words
    assert json.loads(json.dumps(describe(NoteTable.from_notes([]), said(C_major=0.2), []).to_dict()))["rival"] is None


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(40, 90), max_size=30),
    st.integers(0, N_KEYS - 1),
    st.integers(0, N_KEYS - 1),
    st.integers(1, 11),
)
def test_counts_are_those_of_plain_loops_and_move_with_the_music(pitches, best, other, k):
    def rows(first, second):
        p = np.full(N_KEYS, 1e-3)
        p[second], p[first] = 0.3, 0.6
        return np.log(p / p.sum())

    other = other if other != best else (best + 1) % N_KEYS
    notes = NoteTable.from_notes(pitches)
    found = describe(notes, rows(best, other), [])
    scale = {int(pc) for pc in key_at(best).scale()}
    strange = [i for i, pitch in enumerate(pitches) if pitch % 12 not in scale]
    assert [onset for onset, _ in found.outside] == strange[:12]
    moved = describe(notes.transpose(k), rows(key_at(best).transpose(k).index, key_at(other).transpose(k).index), [])
    assert moved.scale_fit == found.scale_fit
    assert len(moved.words) == len(found.words)
    assert (moved.first_degree, moved.last_degree) == (found.first_degree, found.last_degree)
    if found.rival is not None:
        theirs = {int(pc) for pc in key_at(other).scale()}
        assert sum(count for _, count in found.rival.needs) == sum(p % 12 in theirs - scale for p in pitches)
        assert sum(count for _, count in found.rival.lacks) == sum(p % 12 in scale - theirs for p in pitches)
        assert [count for _, count in moved.rival.needs] == [count for _, count in found.rival.needs]


def test_methods_promise_only_what_was_held_against_truth():
    notes, truth, groups = small_corpus()
    plain = make("albrecht-shanahan-modes").fit(notes, truth)
    assert any("Of 100 answers" in words for words in plain.explain(notes[:1])[0].words)
    common = make("most-common-key").fit(notes, truth)
    assert not any("Of 100 answers" in words for words in common.explain(notes[:1])[0].words)
    careful = make("abstaining", base="albrecht-shanahan-modes").fit(notes, truth, groups)
    for evidence, key in zip(careful.explain(notes[:8]), careful.predict_or_abstain(notes[:8]), strict=True):
        assert evidence.sure == (key >= 0)
        assert any(words.startswith("Not sure") for words in evidence.words) == (key < 0)


def _accents(lines: list[float], strong: list[float], onset: np.ndarray) -> np.ndarray:
    return np.where(np.isin(onset, lines), DOWNBEAT, np.where(np.isin(onset, strong), STRONG, 0))


@pytest.mark.parametrize(
    ("lines", "strong", "onset", "odd", "places"),
    [
        ([0, 4, 12, 16, 20, 24, 28], [2, 6, 10, 14], [*range(8), *range(9, 32)], [5, 9, 14],
         ["bar 2, beat 2", "bar 3, beat 2", "bar 4, beat 3"]),
        ([0, 4, 20, 24, 28], [2, 6, 22], [*range(8), *range(20, 32)], [5, 21, 30],
         ["bar 2, beat 2", "bar 6, beat 2", "bar 8, beat 3"]),
        ([0, 3, 6, 9, 13, 17], [11, 15, 19], range(21), [4, 10, 15],
         ["bar 2, beat 2", "bar 4, beat 2", "bar 5, beat 3"]),
        ([0, 4, 8, 10, 14, 18], [2, 6, 12, 16, 20], range(22), [5, 9, 12, 20],
         ["bar 2, beat 2", "bar 3, beat 2", "bar 4, beat 3", "bar 6, beat 3"]),
        ([0, 4, 8, 12], [2, 6], range(-1, 16), [-1, 0, 6], ["bar 0, beat 4", "bar 1, beat 1", "bar 2, beat 3"]),
        ([-1, 0, 4, 8, 12], [2, 6], range(-1, 16), [-1, 0, 6], ["bar 0, beat 4", "bar 1, beat 1", "bar 2, beat 3"]),
        ([-1, 0, 4, 8, 12, 15, 16, 20, 24, 28], [2, 6], range(-1, 32), [13, 15, 16],
         ["bar 4, beat 2", "bar 4, beat 4", "bar 5, beat 1"]),
    ],
    ids=["a bar line without a note", "bars of rest", "three four, then four four", "one bar of two four", "a pickup",
         "a pickup after a bar line", "a part that ends early"],
)  # fmt: skip
def test_bars_and_beats_are_those_that_a_player_counts(lines, strong, onset, odd, places):
    """Counted by hand."""
    onset = np.array([*onset], dtype=float)
    pitch = np.where(np.isin(onset, odd), 61.0, 60.0)
    piece = Piece(onset, np.ones(len(onset)), pitch, None, _accents(lines, strong, onset))
    sure = np.full(N_KEYS, np.log(0.001 / 83))
    sure[0] = np.log(0.999)
    assert list(describe(NoteTable.from_pieces([piece]), sure, []).places) == places
