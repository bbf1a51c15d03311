"""Published key profiles, digit by digit, and published results of correlating with them.

The numbers are typed here a second time. Two or more public sources agree on each pair.
"""

import importlib.util

import numpy as np
import pytest

from keybench.estimators.checks import small_corpus
from keybench.estimators.profile_data import PROFILES
from keybench.estimators.profiles import ProfileMatch, mode_profiles
from keybench.key import DORIAN, LOCRIAN, LYDIAN, MAJOR, MINOR, MIXOLYDIAN, N_KEYS, PHRYGIAN, SCALES, parse_key
from keybench.notes import NoteTable

# Index 0 is the tonic.
PUBLISHED = {
    # Krumhansl & Kessler 1982, Tracing the dynamic changes in perceived tonal organization, Psychological Review 89
    "krumhansl-kessler": (
        "6.35 2.23 3.48 2.33 4.38 4.09 2.52 5.19 2.39 3.66 2.29 2.88",
        "6.33 2.68 3.52 5.38 2.60 3.53 2.54 4.75 3.98 2.69 3.34 3.17",
    ),
    # Temperley 1999, What's key for key?, Music Perception 17
    "temperley-1999": (
        "5 2 3.5 2 4.5 4 2 4.5 2 3.5 1.5 4",
        "5 2 3.5 4.5 2 4 2 4.5 3.5 2 1.5 4",
    ),
    # Temperley 2007, Music and Probability, from the corpus of Kostka and Payne
    "temperley-2007": (
        ".748 .060 .488 .082 .670 .460 .096 .715 .104 .366 .057 .400",
        ".712 .084 .474 .618 .049 .460 .105 .747 .404 .067 .133 .330",
    ),
    # Bellman 2005, About the determination of key of a musical excerpt, LNCS 3902, after Budge 1943
    "bellman-budge": (
        "16.80 .86 12.95 1.41 13.49 11.93 1.25 20.28 1.80 8.04 .62 10.57",
        "18.16 .69 12.99 13.34 1.07 11.15 1.38 21.07 7.49 1.53 .92 10.21",
    ),
    # Aarden 2003, Dynamic melodic expectancy, dissertation, Ohio State University, from the Essen collection
    "aarden-essen": (
        "17.7661 .145624 14.9265 .160186 19.8049 11.3587 .291248 22.062 .145624 8.15494 .232998 4.95122",
        "18.2648 .737619 14.0499 16.8599 .702494 14.4362 .702494 18.6161 4.56621 1.93186 7.37619 1.75623",
    ),
    # Albrecht & Shanahan 2013, The use of large corpora to train a new type of key-finding algorithm,
    # Music Perception 31
    "albrecht-shanahan": (
        ".238 .006 .111 .006 .137 .094 .016 .214 .009 .080 .008 .081",
        ".220 .006 .104 .123 .019 .103 .012 .214 .062 .022 .061 .052",
    ),
    # Sapp 2011, Computational methods for the analysis of musical structure, dissertation, Stanford University
    "sapp-simple": (
        "2 0 1 0 1 1 0 2 0 1 0 1",
        "2 0 1 1 0 1 0 2 1 0 .5 .5",
    ),
}

SUMS = {  # of the published digits: a slip in any one shows
    "krumhansl-kessler": (41.79, 44.51),
    "temperley-1999": (38.5, 38.5),
    "bellman-budge": (100, 100),
    "albrecht-shanahan": (1.000, 0.998),
}


def numbers(text):
    return [float(word) for word in text.split()]


def test_all_seven_pairs_are_here_and_no_other():
    assert set(PROFILES) == set(PUBLISHED)
    assert len(PUBLISHED) == 7


@pytest.mark.parametrize("name", PUBLISHED)
@pytest.mark.parametrize("mode", [0, 1], ids=["major", "minor"])
def test_profile_value_by_value(name, mode):
    pair = PROFILES[name]
    expected = numbers(PUBLISHED[name][mode])
    assert len(expected) == 12
    assert list((pair.major, pair.minor)[mode]) == expected


@pytest.mark.parametrize("name", SUMS)
def test_profile_sums(name):
    pair = PROFILES[name]
    np.testing.assert_allclose((sum(pair.major), sum(pair.minor)), SUMS[name], atol=1e-9)


@pytest.mark.parametrize(
    ("name", "mode", "place", "bad"),
    [  # copies in circulation that differ from the published table
        ("temperley-2007", "minor", 1, 0.048),
        ("aarden-essen", "major", 11, 18.6691),
        ("bellman-budge", "major", 4, 16.00),
    ],
)
def test_known_bad_copies_are_not_here(name, mode, place, bad):
    values = getattr(PROFILES[name], mode)
    assert values[place] != bad
    assert bad not in values


@pytest.mark.parametrize("name", PUBLISHED)
def test_each_pair_names_its_source(name):
    surname = {"krumhansl-kessler": "Krumhansl", "temperley-1999": "Temperley 1999", "temperley-2007": "Temperley 2007",
               "bellman-budge": "Budge", "aarden-essen": "Aarden", "albrecht-shanahan": "Shanahan",
               "sapp-simple": "Sapp"}  # fmt: skip
    assert surname[name] in PROFILES[name].source
    assert PROFILES[name].name == name


def fitted(name, modes=False):
    """Correlations need no learning: fitting only sets how sure the method may be."""
    notes, truth, _ = small_corpus(28)
    return ProfileMatch(name, modes=modes).fit(notes, truth)


def correlations(name, durations):
    """Correlation of twelve durations, C to B, with the 24 keys, by key index."""
    model = fitted(name)
    r = np.full(N_KEYS, np.nan)
    r[model.keys_] = model._matches(NoteTable.from_notes(60 + np.arange(12), durations))[0]
    return r


def test_published_worked_example():
    # R. Hart, Key-finding algorithm, rnhart.net/articles/key-finding: the durations of a piece and R for C major.
    r = correlations("krumhansl-kessler", [432, 231, 0, 405, 12, 316, 4, 126, 612, 0, 191, 1])
    assert round(r[parse_key("C major").index], 5) == -0.00009


@pytest.mark.parametrize(
    ("a", "b", "published"),
    [  # Krumhansl 1990, Cognitive Foundations of Musical Pitch, chapter 2: correlations between profiles. From memory.
        ("C major", "G major", 0.591),
        ("C major", "F major", 0.591),
        ("C major", "F-sharp major", -0.683),
        ("C major", "E minor", 0.536),
    ],
)
def test_published_correlations_between_keys(a, b, published):
    # Correlating notes that last as long as the ratings of one key with every key gives its row of the table.
    pair = PROFILES["krumhansl-kessler"]
    durations = {"major": pair.major, "minor": pair.minor}[a.split()[1]]
    r = correlations("krumhansl-kessler", np.roll(durations, parse_key(a).tonic))
    assert r[parse_key(a).index] == pytest.approx(1)
    assert round(r[parse_key(b).index], 3) == published


@pytest.mark.parametrize("name", PUBLISHED)
def test_correlations_against_numpy(name):
    # Reference library: numpy's Pearson correlation with the profile as typed above, turned to each tonic.
    rng = np.random.default_rng(0)
    for _ in range(5):
        durations = rng.exponential(size=12) * (rng.random(12) < 0.8)
        r = correlations(name, durations)
        for mode, text in ((MAJOR, PUBLISHED[name][0]), (MINOR, PUBLISHED[name][1])):
            for tonic in range(12):
                expected = np.corrcoef(durations, np.roll(numbers(text), tonic))[0, 1]
                assert r[12 * mode + tonic] == pytest.approx(expected, abs=1e-12)
        assert np.isnan(r).sum() == 60


@pytest.mark.parametrize("name", PUBLISHED)
def test_a_profile_is_nearest_to_its_own_key(name):
    pair = PROFILES[name]
    for tonic in (0, 5, 11):
        assert np.nanargmax(correlations(name, np.roll(pair.major, tonic))) == tonic
        assert np.nanargmax(correlations(name, np.roll(pair.minor, tonic))) == 12 * MINOR + tonic


def test_extension_to_seven_modes_by_hand():
    # The project's own rule, applied by hand to the Krumhansl-Kessler numbers.
    profiles = mode_profiles(PROFILES["krumhansl-kessler"])
    expected = {
        MAJOR: "6.35 2.23 3.48 2.33 4.38 4.09 2.52 5.19 2.39 3.66 2.29 2.88",
        LYDIAN: "6.35 2.23 3.48 2.33 4.38 2.52 4.09 5.19 2.39 3.66 2.29 2.88",  # fourths exchanged
        MIXOLYDIAN: "6.35 2.23 3.48 2.33 4.38 4.09 2.52 5.19 2.39 3.66 2.88 2.29",  # sevenths exchanged
        MINOR: "6.33 2.68 3.52 5.38 2.60 3.53 2.54 4.75 3.98 2.69 3.34 3.17",
        DORIAN: "6.33 2.68 3.52 5.38 2.60 3.53 2.54 4.75 2.69 3.98 3.34 3.17",  # sixths exchanged
        PHRYGIAN: "6.33 3.52 2.68 5.38 2.60 3.53 2.54 4.75 3.98 2.69 3.34 3.17",  # seconds exchanged
        LOCRIAN: "6.33 3.52 2.68 5.38 2.60 3.53 4.75 2.54 3.98 2.69 3.34 3.17",  # and fifths
    }
    assert set(expected) == set(range(7))
    for mode, text in expected.items():
        assert profiles[mode].tolist() == numbers(text)


def test_extension_gives_the_lowered_seventh_the_larger_weight():
    # Temperley's minor has 1.5 for the lowered and 4 for the raised seventh: Dorian, Phrygian, Locrian turn them round.
    profiles = mode_profiles(PROFILES["temperley-1999"])
    assert profiles[MINOR][[10, 11]].tolist() == [1.5, 4]
    for mode in (DORIAN, PHRYGIAN, LOCRIAN):
        assert profiles[mode][[10, 11]].tolist() == [4, 1.5]


@pytest.mark.parametrize("name", PUBLISHED)
def test_extended_profiles_find_their_own_scale(name):
    # All seven notes of a scale, home and fifth twice as long: the extension names the mode.
    model = fitted(name, modes=True)
    for mode in (MAJOR, DORIAN, PHRYGIAN, LYDIAN, MIXOLYDIAN):
        durations = SCALES[mode].astype(float)
        durations[[0, 7]] *= 2
        table = NoteTable.from_notes(60 + np.arange(12), np.roll(durations, 4))
        assert model.predict(table).tolist() == [12 * mode + 4]


MUSIC21 = {  # our name: its class
    "krumhansl-kessler": "KrumhanslKessler",
    "aarden-essen": "AardenEssen",
    "bellman-budge": "BellmanBudge",
    "temperley-2007": "TemperleyKostkaPayne",
    "sapp-simple": "SimpleWeights",
}
needs_music21 = pytest.mark.skipif(
    importlib.util.find_spec("music21") is None,
    reason="music21 is absent: install it with pip install 'keybench[corpora]'",
)


@pytest.mark.corpus
@needs_music21
@pytest.mark.parametrize("name", MUSIC21)
def test_agreement_with_music21(name):
    """The reference library's own analysis of the same notes: best key and every coefficient.

    It has neither Temperley 1999 nor Albrecht & Shanahan. Before its version 6.3 its Krumhansl-Schmuckler numbers
    were not those of Krumhansl & Kessler (its documentation calls that a likely typo); since then the two are one.
    """
    from music21 import note, stream
    from music21.analysis import discrete

    analysis = getattr(discrete, MUSIC21[name])()
    model = fitted(name)
    rng = np.random.default_rng(7)
    for _ in range(6):
        n = int(rng.integers(8, 60))
        scale = np.flatnonzero(SCALES[rng.choice([MAJOR, MINOR])]) + rng.integers(12)
        pitch = 60 + rng.choice(scale, size=n) % 12 + 12 * rng.integers(-1, 2, size=n)
        duration = rng.choice([0.25, 0.5, 1.0, 1.5, 2.0], size=n)
        music = stream.Stream()
        for p, d in zip(pitch, duration, strict=True):
            music.append(note.Note(int(p), quarterLength=float(d)))
        best = analysis.getSolution(music)
        table = NoteTable.from_notes(pitch, duration)
        ours = np.full(N_KEYS, np.nan)
        ours[model.keys_] = model._matches(table)[0]
        theirs = {}
        for key in (best, *best.alternateInterpretations):
            mode = {"major": MAJOR, "minor": MINOR}[key.mode]
            theirs[12 * mode + key.tonic.pitchClass] = key.correlationCoefficient
        assert len(theirs) == 24
        for index, r in theirs.items():
            assert ours[index] == pytest.approx(r, abs=1e-3)
        mode = {"major": MAJOR, "minor": MINOR}[best.mode]
        assert model.predict(table).tolist() == [12 * mode + best.tonic.pitchClass]


@pytest.mark.corpus
@needs_music21
@pytest.mark.parametrize("name", MUSIC21)
def test_numbers_of_music21_are_the_published_ones(name):
    from music21.analysis import discrete

    weights = getattr(discrete, MUSIC21[name])().getWeights
    assert list(PROFILES[name].major) == list(weights("major"))
    assert list(PROFILES[name].minor) == list(weights("minor"))
