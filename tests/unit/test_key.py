"""Keys: names, notations, moving, label spaces, relations.

Facts of music theory here (which note each mode alters, which keys share a scale) are common practice and have no
source, unless a check names one.
"""

import re

import mir_eval
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench import key as K
from keybench.errors import KeybenchError, KeyNameError
from keybench.key import Key, key_at, parse_abc_key, parse_key

ALL_KEYS = [Key(tonic, mode) for mode in range(7) for tonic in range(12)]
PITCH_CLASS = dict(zip("CDEFGAB", (0, 2, 4, 5, 7, 9, 11), strict=True))

keys = st.sampled_from(ALL_KEYS)
shifts = st.integers(-40, 40)
masks = st.lists(st.lists(st.booleans(), min_size=84, max_size=84), max_size=3).map(
    lambda rows: np.array(rows, dtype=bool).reshape(len(rows), 84)
)


def pitch_class(name):
    """Pitch class of a note written with letters and # or b, worked out apart from the package."""
    return (PITCH_CLASS[name[0]] + name.count("#") - name.count("b")) % 12


def test_order_and_number_of_the_keys():
    assert K.MODES == ("major", "dorian", "phrygian", "lydian", "mixolydian", "minor", "locrian")
    assert [key_at(i) for i in range(84)] == ALL_KEYS
    assert [key.index for key in ALL_KEYS] == list(range(84))
    assert K.N_KEYS == 84


# Semitones above the tonic. Common practice, no source: the alterations are those that textbooks name.
MAJOR_STEPS = [0, 2, 4, 5, 7, 9, 11]
MINOR_STEPS = [0, 2, 3, 5, 7, 8, 10]


@pytest.mark.parametrize(
    ("mode", "parent", "altered", "by"),
    [
        (K.MAJOR, MAJOR_STEPS, None, 0),
        (K.MINOR, MINOR_STEPS, None, 0),
        (K.DORIAN, MINOR_STEPS, 6, +1),  # natural minor with the sixth raised
        (K.PHRYGIAN, MINOR_STEPS, 2, -1),  # natural minor with the second lowered
        (K.LYDIAN, MAJOR_STEPS, 4, +1),  # major with the fourth raised
        (K.MIXOLYDIAN, MAJOR_STEPS, 7, -1),  # major with the seventh lowered
        (K.LOCRIAN, [0, 1, 3, 5, 7, 8, 10], 5, -1),  # Phrygian with the fifth lowered
    ],
)
def test_modes_by_the_note_they_alter(mode, parent, altered, by):
    expected = list(parent)
    if altered is not None:
        expected[altered - 1] += by
    assert K.SCALE_STEPS[mode].tolist() == expected
    assert np.flatnonzero(K.SCALES[mode]).tolist() == expected
    assert K.HAS_MINOR_THIRD[mode] == (3 in expected)


@pytest.mark.parametrize(
    ("name", "scale"),
    [  # written out by hand
        ("C major", "C D E F G A B"),
        ("A minor", "A B C D E F G"),
        ("G Dorian", "G A Bb C D E F"),
        ("E Phrygian", "E F G A B C D"),
        ("F Lydian", "F G A B C D E"),
        ("D Mixolydian", "D E F# G A B C"),
        ("B Locrian", "B C D E F G A"),
        ("B-flat minor", "Bb C Db Eb F Gb Ab"),
        ("E-flat Lydian", "Eb F G A Bb C D"),
        ("F-sharp Mixolydian", "F# G# A# B C# D# E"),
    ],
)
def test_scales_written_out(name, scale):
    found = parse_key(name).scale()
    assert found.tolist() == [pitch_class(note) for note in scale.split()]


@pytest.mark.parametrize("tonic", range(12))
def test_relative_minor_is_three_semitones_below_and_the_sixth_note(tonic):
    major, minor = Key(tonic, K.MAJOR), Key((tonic - 3) % 12, K.MINOR)
    assert set(major.scale()) == set(minor.scale())
    assert major.scale()[5] == minor.tonic


def test_each_key_shares_its_seven_notes_with_six_others():
    sets = [frozenset(key.scale().tolist()) for key in ALL_KEYS]
    assert {len(s) for s in sets} == {7}
    assert len(set(sets)) == 12
    for i, key in enumerate(ALL_KEYS):
        sharing = [other for j, other in enumerate(ALL_KEYS) if j != i and sets[j] == sets[i]]
        assert len(sharing) == 6, str(key)
        assert {other.mode for other in sharing} == set(range(7)) - {key.mode}


def test_mode_i_begins_on_note_i_of_a_major_scale():
    for tonic in range(12):
        scale = Key(tonic, K.MAJOR).scale()
        for mode in range(7):
            assert set(Key(int(scale[mode]), mode).scale()) == set(scale)


@pytest.mark.parametrize(
    ("text", "tonic", "mode"),
    [  # worked by hand
        ("C", 0, K.MAJOR),
        ("C major", 0, K.MAJOR),
        ("c major", 0, K.MAJOR),
        ("C Ionian", 0, K.MAJOR),
        ("C#", 1, K.MAJOR),
        ("D-flat major", 1, K.MAJOR),
        ("D flat major", 1, K.MAJOR),
        ("Db major", 1, K.MAJOR),
        ("D♭ major", 1, K.MAJOR),
        ("F♯ minor", 6, K.MINOR),
        ("F-sharp minor", 6, K.MINOR),
        ("f# minor", 6, K.MINOR),
        ("F SHARP MINOR", 6, K.MINOR),
        ("bb minor", 10, K.MINOR),
        ("b minor", 11, K.MINOR),
        ("B-flat minor", 10, K.MINOR),
        ("Bbb major", 9, K.MAJOR),
        ("F## minor", 7, K.MINOR),
        ("Cb major", 11, K.MAJOR),
        ("B# major", 0, K.MAJOR),
        ("A Aeolian", 9, K.MINOR),
        ("  G   Dorian ", 7, K.DORIAN),
        ("G-Dorian", 7, K.DORIAN),
        ("G mix", 7, K.MIXOLYDIAN),
        ("Eb:minor", 3, K.MINOR),
        ("G:dorian", 7, K.DORIAN),
        ("E:phrygian", 4, K.PHRYGIAN),
        ("B:locrian", 11, K.LOCRIAN),
        ("*G:", 7, K.MAJOR),
        ("*g:", 7, K.MINOR),
        ("*b-:", 10, K.MINOR),
        ("*B-:", 10, K.MAJOR),
        ("*f#:", 6, K.MINOR),
        ("*G:mix", 7, K.MIXOLYDIAN),
        ("*g:dor", 7, K.DORIAN),
        ("*G:dor", 7, K.DORIAN),
        ("*e:phr", 4, K.PHRYGIAN),
        ("*E-:lyd", 3, K.LYDIAN),
    ],
)
def test_parse_key(text, tonic, mode):
    assert parse_key(text) == Key(tonic, mode)


@pytest.mark.parametrize(
    ("value", "tonic", "mode"),
    [  # ABC standard 2.1, section 3.1.14
        ("G", 7, K.MAJOR),
        ("Gmaj", 7, K.MAJOR),
        ("G major", 7, K.MAJOR),
        ("GMAJOR", 7, K.MAJOR),
        ("G Ionian", 7, K.MAJOR),
        ("Em", 4, K.MINOR),
        ("EM", 4, K.MINOR),  # capitals make no difference: not E major
        ("E m", 4, K.MINOR),
        ("Emin", 4, K.MINOR),
        ("EMIN", 4, K.MINOR),
        ("E minor", 4, K.MINOR),
        ("Aaeo", 9, K.MINOR),
        ("Edor", 4, K.DORIAN),
        ("E DORIAN", 4, K.DORIAN),
        ("DMix", 2, K.MIXOLYDIAN),
        ("D Mixolydian", 2, K.MIXOLYDIAN),
        ("Ephr", 4, K.PHRYGIAN),
        ("FLyd", 5, K.LYDIAN),
        ("Bloc", 11, K.LOCRIAN),
        ("Bb", 10, K.MAJOR),
        ("Bbm", 10, K.MINOR),
        ("F#min", 6, K.MINOR),
        ("  D ", 2, K.MAJOR),
        ("D clef=bass", 2, K.MAJOR),
        ("Dmix treble-8", 2, K.MIXOLYDIAN),
        ("G bass", 7, K.MAJOR),
        ("D ^g", 2, K.MAJOR),
        ("Adorian % a comment", 9, K.DORIAN),
    ],
)
def test_parse_abc_key(value, tonic, mode):
    assert parse_abc_key(value) == Key(tonic, mode)


@pytest.mark.parametrize("key", ALL_KEYS, ids=str)
def test_every_key_survives_every_notation(key):
    assert parse_key(str(key)) == key
    assert parse_key(str(key).lower()) == key
    assert parse_key(key.to_jams()) == key
    assert parse_key(key.to_humdrum()) == key
    assert parse_abc_key(key.to_abc()) == key
    assert K.parse_keys(str(key)) == [key]
    if key.mode in (K.MAJOR, K.MINOR):
        assert parse_key(key.to_mir_eval()) == key
    else:
        assert key.to_mir_eval().endswith(" other")


def test_notations_are_spelled_as_their_formats_ask():
    # Reference library for mir_eval. Patterns for the others from memory: JAMS schema key_mode, Humdrum tandem
    # interpretations, ABC standard 2.1.
    assert len({key.to_jams() for key in ALL_KEYS}) == len({key.to_humdrum() for key in ALL_KEYS}) == 84
    assert len({key.to_abc() for key in ALL_KEYS}) == len({str(key) for key in ALL_KEYS}) == 84
    for key in ALL_KEYS:
        written = key.to_mir_eval()
        mir_eval.key.validate_key(written)
        tonic, mode = mir_eval.key.split_key_string(written)
        assert (tonic, mode) == (key.tonic, written.split()[1])
        modes = "major|minor|dorian|phrygian|lydian|mixolydian|locrian"
        assert re.fullmatch(rf"[A-G][#b]?:({modes})", key.to_jams())
        assert re.fullmatch(r"\*[A-Ga-g][#-]?:(dor|phr|lyd|mix|loc)?", key.to_humdrum())
        assert re.fullmatch(r"[A-G][#b]?(maj|min|dor|phr|lyd|mix|loc)", key.to_abc())
        assert key.to_humdrum()[1].islower() == bool({3} & {(note - key.tonic) % 12 for note in key.scale()})


@pytest.mark.parametrize(
    ("tonic", "mode", "words", "abc", "humdrum", "mir", "jams"),
    [  # worked by hand
        (0, K.MAJOR, "C major", "Cmaj", "*C:", "C major", "C:major"),
        (10, K.MINOR, "B-flat minor", "Bbmin", "*b-:", "Bb minor", "Bb:minor"),
        (7, K.DORIAN, "G Dorian", "Gdor", "*g:dor", "G other", "G:dorian"),
        (6, K.MINOR, "F-sharp minor", "F#min", "*f#:", "F# minor", "F#:minor"),
        (1, K.MAJOR, "D-flat major", "Dbmaj", "*D-:", "Db major", "Db:major"),  # five flats, not seven sharps
        (1, K.MINOR, "C-sharp minor", "C#min", "*c#:", "C# minor", "C#:minor"),  # four sharps, not eight flats
        (8, K.MINOR, "G-sharp minor", "G#min", "*g#:", "G# minor", "G#:minor"),  # five sharps, not seven flats
        (3, K.MIXOLYDIAN, "E-flat Mixolydian", "Ebmix", "*E-:mix", "Eb other", "Eb:mixolydian"),
        (3, K.LOCRIAN, "D-sharp Locrian", "D#loc", "*d#:loc", "D# other", "D#:locrian"),  # four sharps
        (10, K.LYDIAN, "B-flat Lydian", "Bblyd", "*B-:lyd", "Bb other", "Bb:lydian"),
    ],
)
def test_notations_written_out(tonic, mode, words, abc, humdrum, mir, jams):
    key = Key(tonic, mode)
    assert (str(key), key.to_abc(), key.to_humdrum(), key.to_mir_eval(), key.to_jams()) == (
        words, abc, humdrum, mir, jams
    )  # fmt: skip


def test_no_key_is_spelled_with_more_than_six_sharps_or_flats():
    # Common practice, no source. The scale is spelled with each letter once; the accidentals are then counted.
    letters = "CDEFGAB"
    for key in ALL_KEYS:
        name = re.sub(r":.*", "", key.to_jams())
        start = letters.index(name[0])
        signature = 0
        for i, target in enumerate(key.scale()):
            natural = PITCH_CLASS[letters[(start + i) % 7]]
            signature += (int(target) - natural + 6) % 12 - 6
        assert abs(signature) <= 6, f"{key}: {signature}"


@pytest.mark.parametrize(
    "text", ["", "H minor", "G Hyperdorian", "G other", "g", "C:foo", "*h:", "*G", "*G:foo", "X", "minor", "C##b"]
)
def test_unreadable_keys_are_named_with_what_is_accepted(text):
    with pytest.raises(KeyNameError) as caught:
        parse_key(text)
    message = str(caught.value)
    assert repr(text) in message
    accepted = message.split("accepted: ")[1]
    assert "A to G" in accepted or "*G:" in accepted
    assert "\n" not in message


@pytest.mark.parametrize("value", ["Hp", "HP", "none", "", "Bn", "Gxyz", "gmin", "^f"])
def test_unreadable_abc_keys_are_named_with_what_is_accepted(value):
    with pytest.raises(KeyNameError) as caught:
        parse_abc_key(value)
    message = str(caught.value)
    assert repr(value) in message
    assert "mixolydian" in message.split("accepted: ")[1]


def test_unknown_mode_is_quoted():
    with pytest.raises(KeyNameError, match=r"unknown mode 'hyperdorian'; accepted: .*dorian, phrygian"):
        parse_key("G Hyperdorian")


@pytest.mark.parametrize(
    ("make", "value", "accepted"),
    [
        (lambda: Key(12, 0), "12", "0 to 11"),
        (lambda: Key(-1, 0), "-1", "0 to 11"),
        (lambda: Key(0, 7), "7", "0 to 6"),
        (lambda: Key(0, -1), "-1", "0 to 6"),
        (lambda: key_at(84), "84", "0 to 83"),
        (lambda: key_at(-1), "-1", "0 to 83"),
        (lambda: K.project([0], "thirds"), "'thirds'", "tonic, major-minor, modes"),
        (lambda: K.parse_keys("C major or H minor"), "'H minor'", "A to G"),
    ],
)
def test_values_out_of_range_are_named_with_what_is_accepted(make, value, accepted):
    with pytest.raises(KeyNameError) as caught:
        make()
    before, after = str(caught.value).split("accepted: ")
    assert value in before
    assert accepted in after


def test_key_errors_are_the_packages_own_and_value_errors():
    assert issubclass(KeyNameError, KeybenchError)
    assert issubclass(KeyNameError, ValueError)


@settings(deadline=None)
@given(st.text(max_size=12))
def test_any_text_is_a_key_or_a_key_name_error(text):
    for read in (parse_key, parse_abc_key):
        try:
            found = read(text)
        except KeyNameError:
            continue
        assert found in ALL_KEYS


@settings(deadline=None)
@given(keys, shifts, shifts)
def test_transposition_is_a_group_action(key, i, j):
    assert key.transpose(i).transpose(-i) == key
    assert key.transpose(i).transpose(j) == key.transpose(i + j)
    assert key.transpose(0) == key == key.transpose(12)
    assert key.transpose(i).mode == key.mode
    assert key.transpose(i).tonic == (key.tonic + i) % 12
    assert (key.transpose(i) == key) == (i % 12 == 0)


@settings(deadline=None)
@given(keys, shifts)
def test_transposing_a_key_moves_its_scale(key, k):
    assert key.transpose(k).scale().tolist() == ((key.scale() + k) % 12).tolist()


@settings(deadline=None)
@given(keys, shifts)
def test_transpose_keys_agrees_with_key_transpose(key, k):
    hot = np.zeros(84)
    hot[key.index] = 1
    moved = K.transpose_keys(hot, k)
    assert np.flatnonzero(moved).tolist() == [key.transpose(k).index]


@settings(deadline=None)
@given(masks, shifts, shifts)
def test_transpose_keys_on_arrays(mask, i, j):
    moved = K.transpose_keys(mask, i)
    assert moved.shape == mask.shape
    np.testing.assert_array_equal(K.transpose_keys(moved, -i), mask)
    np.testing.assert_array_equal(K.transpose_keys(moved, j), K.transpose_keys(mask, i + j))


def test_transpose_keys_on_more_axes():
    array = np.arange(2 * 3 * 84).reshape(2, 3, 84)
    moved = K.transpose_keys(array, 5)
    for a in range(2):
        for b in range(3):
            for key in ALL_KEYS:
                assert moved[a, b, key.transpose(5).index] == array[a, b, key.index]


@settings(deadline=None)
@given(keys, shifts)
def test_projections_commute_with_transposition(key, k):
    for space, size in K.LABEL_SPACES.items():
        here = int(K.project(key.index, space))
        there = int(K.project(key.transpose(k).index, space))
        assert 0 <= here < size
        assert there == 12 * (here // 12) + (here % 12 + k) % 12


@settings(deadline=None)
@given(masks, shifts)
def test_projected_sets_commute_with_transposition(mask, k):
    for space, size in K.LABEL_SPACES.items():
        plain = K.project_mask(mask, space).reshape(len(mask), size // 12, 12)
        moved = K.project_mask(K.transpose_keys(mask, k), space).reshape(len(mask), size // 12, 12)
        np.testing.assert_array_equal(moved, np.roll(plain, k, axis=2))


def test_truth_mask_marks_exactly_the_accepted_keys():
    mask = K.truth_mask([[Key(7, K.DORIAN), Key(7, K.MINOR)], [Key(0, K.MAJOR)], []])
    assert mask.dtype == bool
    assert [np.flatnonzero(row).tolist() for row in mask] == [[19, 67], [0], []]  # 12 * 1 + 7, 12 * 5 + 7
    assert K.truth_mask([]).shape == (0, 84)


@pytest.mark.parametrize("tonic", range(12))
def test_keys_on_a_tonic_are_all_seven_modes(tonic):
    found = K.keys_on(tonic)
    assert [key.mode for key in found] == list(range(7))
    assert {key.tonic for key in found} == {tonic}
    assert K.keys_on(tonic + 12) == found


def test_format_keys_goes_by_index_and_reads_back():
    pair = [Key(7, K.MINOR), Key(7, K.DORIAN)]
    assert K.format_keys(pair) == "G Dorian or G minor"
    assert K.parse_keys("G Dorian or G minor") == [Key(7, K.DORIAN), Key(7, K.MINOR)]


@settings(deadline=None)
@given(st.sets(keys, min_size=1, max_size=7))
def test_format_keys_round_trip(some):
    assert K.parse_keys(K.format_keys(some)) == sorted(some, key=lambda key: key.index)


@pytest.mark.parametrize(
    ("name", "tonic", "major_minor"),
    [  # worked by hand: the third of the scale decides
        ("C major", 0, 0),
        ("C Lydian", 0, 0),
        ("D Mixolydian", 2, 2),
        ("C minor", 0, 12),
        ("D Dorian", 2, 14),
        ("E Phrygian", 4, 16),
        ("B Locrian", 11, 23),
    ],
)
def test_projection_worked_by_hand(name, tonic, major_minor):
    index = parse_key(name).index
    assert K.project(index, "tonic") == tonic
    assert K.project(index, "major-minor") == major_minor
    assert K.project(index, "modes") == index


def test_projection_keeps_shape_and_fills_each_space():
    grid = np.arange(84).reshape(7, 12)
    for space, size in {"tonic": 12, "major-minor": 24, "modes": 84}.items():
        assert K.LABEL_SPACES[space] == size
        found = K.project(grid, space)
        assert found.shape == (7, 12)
        assert set(found.ravel().tolist()) == set(range(size))


@settings(deadline=None)
@given(masks)
def test_project_mask_is_the_projection_of_each_member(mask):
    for space, size in K.LABEL_SPACES.items():
        expected = [sorted({int(K.project(i, space)) for i in np.flatnonzero(row)}) for row in mask]
        found = K.project_mask(mask, space)
        assert found.shape == (len(mask), size)
        assert [np.flatnonzero(row).tolist() for row in found] == expected


RELATED = [  # reference, estimate, relation: worked by hand from the notes of the scales
    ("C major", "C major", "same"),
    ("G Dorian", "G Dorian", "same"),
    ("C major", "A minor", "same scale notes"),
    ("A minor", "C major", "same scale notes"),
    ("D Dorian", "C major", "same scale notes"),
    ("G Mixolydian", "D Dorian", "same scale notes"),
    ("E Phrygian", "B Locrian", "same scale notes"),
    ("C major", "C minor", "parallel"),
    ("A minor", "A major", "parallel"),
    ("D Dorian", "D minor", "parallel"),  # also one scale note apart: the shared home note is named first
    ("G major", "G Mixolydian", "parallel"),
    ("C major", "G major", "fifth above"),  # also one scale note apart
    ("A minor", "E minor", "fifth above"),
    ("D Dorian", "A Dorian", "fifth above"),
    ("F major", "C major", "fifth above"),
    ("C major", "F major", "fifth below"),
    ("E minor", "A minor", "fifth below"),
    ("D Mixolydian", "G Mixolydian", "fifth below"),
    ("C major", "E minor", "one scale note apart"),  # F sharp for F
    ("C major", "D minor", "one scale note apart"),  # B flat for B
    ("C major", "D Mixolydian", "one scale note apart"),
    ("A minor", "G major", "one scale note apart"),
    ("C major", "D major", "other"),
    ("C major", "F-sharp major", "other"),
    ("C major", "G minor", "other"),
    ("A minor", "C minor", "other"),
    ("D Dorian", "E-flat Dorian", "other"),
]


@pytest.mark.parametrize(("reference", "estimate", "expected"), RELATED)
def test_relation_worked_by_hand(reference, estimate, expected):
    found = K.relation(parse_key(reference).index, parse_key(estimate).index)
    assert K.RELATIONS[int(found)] == expected


def test_every_relation_has_a_worked_case_and_occurs():
    assert {expected for _, _, expected in RELATED} == set(K.RELATIONS)
    assert set(np.unique(K.RELATION_TABLE).tolist()) == set(range(len(K.RELATIONS)))


def naive_relation(reference, estimate):
    shared = len(set(reference.scale().tolist()) & set(estimate.scale().tolist()))
    if reference == estimate:
        return "same"
    if shared == 7:
        return "same scale notes"
    if reference.tonic == estimate.tonic:
        return "parallel"
    if reference.mode == estimate.mode and estimate.tonic == (reference.tonic + 7) % 12:
        return "fifth above"
    if reference.mode == estimate.mode and estimate.tonic == (reference.tonic - 7) % 12:
        return "fifth below"
    return "one scale note apart" if shared == 6 else "other"


def test_relation_of_every_pair_against_the_plain_definition():
    expected = [[K.RELATIONS.index(naive_relation(r, e)) for e in ALL_KEYS] for r in ALL_KEYS]
    np.testing.assert_array_equal(K.RELATION_TABLE, expected)


def test_relations_do_not_change_under_joint_transposition():
    for k in range(12):
        moved = np.array([key.transpose(k).index for key in ALL_KEYS])
        np.testing.assert_array_equal(K.RELATION_TABLE[np.ix_(moved, moved)], K.RELATION_TABLE)


def test_relations_mirror():
    names = np.array(K.RELATIONS)[K.RELATION_TABLE]
    swap = {"fifth above": "fifth below", "fifth below": "fifth above"}
    assert [[swap.get(name, name) for name in row] for row in names.T] == names.tolist()


def test_relation_weights_agree_with_mir_eval():
    # Reference library: mir_eval gives 1 to the same key, .5 to a fifth above, .3 to the relative, .2 to the parallel.
    weights = {"same": 1.0, "fifth above": 0.5, "same scale notes": 0.3, "parallel": 0.2}
    plain = [key for key in ALL_KEYS if key.mode in (K.MAJOR, K.MINOR)]
    for reference in plain:
        for estimate in plain:
            score = mir_eval.key.weighted_score(reference.to_mir_eval(), estimate.to_mir_eval())
            name = K.RELATIONS[int(K.relation(reference.index, estimate.index))]
            assert score == weights.get(name, 0.0), (reference, estimate)


def test_relation_takes_arrays():
    references, estimates = np.array([[0, 0], [0, 69]]), np.array([[0, 69], [7, 0]])
    names = np.array(K.RELATIONS)[K.relation(references, estimates)]
    assert names.tolist() == [["same", "same scale notes"], ["fifth above", "same scale notes"]]


# --- Labels that may name a home note only ---------------------------------------------------------------------------

tonics = st.integers(0, 11)
written_modes = st.integers(K.NO_MODE, 6)


@pytest.mark.parametrize(
    ("tonic", "mode", "text"),
    [
        (7, K.MAJOR, "G major"),
        (7, K.NO_MODE, "G"),
        (10, K.NO_MODE, "B-flat"),  # spelled as in the major key with the shortest signature
        (6, K.NO_MODE, "F-sharp"),
        (1, K.NO_MODE, "D-flat"),
        (1, K.MINOR, "C-sharp minor"),
        (2, K.DORIAN, "D Dorian"),
    ],
)
def test_labels_by_hand(tonic, mode, text):
    assert K.label_name(tonic, mode) == text
    assert K.parse_label(text) == (tonic, mode)


@settings(deadline=None)
@given(tonics, written_modes)
def test_labels_read_back_as_they_were_written(tonic, mode):
    text = K.label_name(tonic, mode)
    assert K.parse_label(text) == (tonic, mode)
    assert text == text.strip()
    if mode == K.NO_MODE:
        assert parse_key(text) == Key(tonic, K.MAJOR)
    else:
        assert text == str(Key(tonic, mode))


def test_every_label_has_a_name_of_its_own():
    names = {K.label_name(tonic, mode) for tonic in range(12) for mode in range(K.NO_MODE, 7)}
    assert len(names) == 96


def test_labels_take_the_numbers_of_arrays():
    assert K.label_name(np.int64(9), np.int64(K.MINOR)) == "A minor"
    assert K.label_name(np.int64(9), np.int64(K.NO_MODE)) == "A"


@pytest.mark.parametrize("text", ["", " ", "H", "g", "G sideways", "G major or A", "7", "G\x00"])
def test_labels_that_name_nothing(text):
    with pytest.raises(KeyNameError, match="accepted") as caught:
        K.parse_label(text)
    assert "\n" not in str(caught.value)


@settings(deadline=None)
@given(st.lists(st.tuples(tonics, shifts), max_size=8))
def test_moving_tonics_agrees_with_moving_keys(pairs):
    tonic, by = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    expected = [Key(t, K.MAJOR).transpose(k).tonic for t, k in pairs]
    assert K.transpose_tonics(tonic, by).tolist() == expected
    assert K.transpose_tonics(tonic, 5).tolist() == [(t + 5) % 12 for t, _ in pairs]
    assert K.transpose_tonics(tonic, by).dtype == np.int64
