"""What estimators look at in recordings: against plain loops, under transposition, and how methods use it."""

import re
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.chroma import ChromaTable
from keybench.errors import KeybenchError
from keybench.estimators import make, names
from keybench.estimators.checks import small_corpus
from keybench.estimators.chords import chord_fits, chord_path, chord_probabilities
from keybench.estimators.chroma_features import (
    CHROMA_CHANNEL_NAMES,
    RECORDING_CHANNEL_NAMES,
    chroma_channels,
    chroma_weights,
    recording_channels,
)
from keybench.estimators.features import duration_weights
from keybench.estimators.profile_data import PROFILES
from keybench.key import N_KEYS, SCALE_STEPS, Key, transpose_keys, truth_mask

NOTHING = (np.zeros(0), np.zeros((0, 12)), np.zeros((0, 12)))


@st.composite
def tables(draw):
    """A few pieces of up to a minute, some empty, some with silent frames, bass or treble."""
    frames = []
    for _ in range(draw(st.integers(0, 4))):
        n = draw(st.integers(0, 40))
        rng = np.random.default_rng(draw(st.integers(0, 10_000)))
        time = np.cumsum(rng.choice([0.25, 0.5, 2.0], size=n)) + draw(st.sampled_from([-0.25, 100.0]))
        bass, treble = (rng.integers(0, 4, size=(n, 12)).astype(float) for _ in range(2))  # small numbers tie often
        silent = draw(st.sampled_from(["neither", "bass", "treble"]))
        frames.append((time, 0 * bass if silent == "bass" else bass, 0 * treble if silent == "treble" else treble))
    return ChromaTable.from_frames(frames)


def pieces_of(table):
    for a, b in zip(table.offsets[:-1], table.offsets[1:], strict=True):
        yield tuple(np.asarray(column[a:b], dtype=float) for column in (table.time, table.bass, table.treble))


def root_shares(total):
    return np.sqrt(total / total.sum()) if total.sum() else np.zeros(12)


def channels_by_hand(time, bass, treble):
    """One piece, frame by frame."""
    out = []
    for energy in (bass, treble):
        sums = np.zeros((7, 12))
        for t, row in zip(time, energy, strict=True):
            since, left = t - time[0], time[-1] - t
            loudest = np.array([float(e == max(row) and e > 0) for e in row])
            sums[0] += row
            sums[1] += loudest
            sums[2] += row * (since < 5)
            sums[3] += row * (since < 15)
            sums[4] += row * (left < 20)
            sums[5] += row * (since <= left)
            sums[6] += row * (since > left)
        out += [root_shares(total) for total in sums]
    return np.array(out)


@settings(max_examples=60, deadline=None)
@given(tables())
def test_channels_and_weights_are_those_of_plain_loops(table):
    channels, weights = chroma_channels(table), chroma_weights(table)
    assert channels.shape == (len(table), len(CHROMA_CHANNEL_NAMES), 12)
    assert channels.dtype == np.float32
    assert weights.shape == (len(table), 12)
    for i, (time, bass, treble) in enumerate(pieces_of(table)):
        np.testing.assert_allclose(channels[i], channels_by_hand(time, bass, treble), atol=1e-6)
        np.testing.assert_allclose(weights[i], (bass + treble).sum(axis=0), atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(tables(), st.integers(-15, 15))
def test_moving_the_music_rolls_every_channel(table, k):
    moved = table.transpose(k)
    np.testing.assert_array_equal(chroma_channels(moved), np.roll(chroma_channels(table), k, axis=2))
    np.testing.assert_array_equal(chroma_weights(moved), np.roll(chroma_weights(table), k, axis=1))


@settings(max_examples=30, deadline=None)
@given(tables())
def test_a_piece_is_looked_at_by_itself(table):
    channels, weights = chroma_channels(table), chroma_weights(table)
    for i in range(len(table)):
        np.testing.assert_allclose(chroma_channels(table[i].detach())[0], channels[i], atol=1e-6)
        np.testing.assert_allclose(chroma_weights(table[i].detach())[0], weights[i], atol=1e-6)


def test_a_quiet_recording_is_heard_after_loud_ones():
    rng = np.random.default_rng(0)
    loud = [(np.arange(2000.0), rng.random((2000, 12)) * 1e3, rng.random((2000, 12)) * 1e3) for _ in range(10)]
    quiet = (np.arange(50.0), rng.random((50, 12)) * 1e-3, rng.random((50, 12)) * 1e-3)
    together, alone = ChromaTable.from_frames([*loud, quiet]), ChromaTable.from_frames([quiet])
    np.testing.assert_allclose(chroma_weights(together)[-1], chroma_weights(alone)[0], rtol=1e-4)
    np.testing.assert_allclose(chroma_channels(together)[-1], chroma_channels(alone)[0], atol=1e-4)


def test_channels_by_name():
    def frame(note, energy=1.0):
        return energy * np.eye(12)[note]

    # Forty seconds, a frame every ten; the bass has C E G B, the treble always A.
    time = np.array([3.0, 13.0, 23.0, 43.0])
    bass = np.array([frame(0, 4.0), frame(4), frame(7), frame(11) + frame(0)])
    table = ChromaTable.from_frames([(time, bass, np.array([frame(9)] * 4))])
    found = dict(zip(CHROMA_CHANNEL_NAMES, chroma_channels(table)[0], strict=True))
    shares = {
        "bass, whole": {0: 5 / 8, 4: 1 / 8, 7: 1 / 8, 11: 1 / 8},
        "bass, strongest note": {0: 2 / 5, 4: 1 / 5, 7: 1 / 5, 11: 1 / 5},  # two are strongest in the last frame
        "bass, first 5 s": {0: 1},
        "bass, first 15 s": {0: 4 / 5, 4: 1 / 5},
        "bass, last 20 s": {11: 1 / 2, 0: 1 / 2},  # the frame 20 s before the last is just too early
        "bass, first half": {0: 4 / 6, 4: 1 / 6, 7: 1 / 6},  # the frame in the middle belongs to the first
        "bass, second half": {11: 1 / 2, 0: 1 / 2},
    }
    for name, expected in shares.items():
        row = np.zeros(12)
        row[list(expected)] = np.sqrt(list(expected.values()))
        np.testing.assert_allclose(found[name], row, atol=1e-6, err_msg=name)
    for name, row in found.items():
        if name.startswith("treble"):
            np.testing.assert_allclose(row, np.eye(12)[9], atol=1e-6, err_msg=name)


def test_silence_is_all_zero():
    still = (np.arange(3.0), np.zeros((3, 12)), np.zeros((3, 12)))
    table = ChromaTable.from_frames([NOTHING, still, NOTHING])
    with np.errstate(all="raise"):
        assert not chroma_channels(table).any()
        assert not chroma_weights(table).any()
    assert chroma_channels(ChromaTable.from_frames([])).shape == (0, 14, 12)


# --- Methods that listen to recordings -------------------------------------------------------------------------------


def recordings(n, seed=0):
    """Half a minute in each of n keys: a bass on the tonic, fifth and fourth, a treble over the scale, and noise."""
    rng = np.random.default_rng(seed)
    frames, keys = [], []
    for i in range(n):
        key = Key(int(rng.integers(12)), i % 7)
        scale = (SCALE_STEPS[key.mode] + key.tonic) % 12
        bass, treble = 0.2 * rng.random((60, 12)), 0.2 * rng.random((60, 12))
        bass[np.arange(60), scale[rng.choice([0, 0, 0, 3, 4], size=60)]] += 1.0
        treble[np.arange(60), scale[rng.choice(7, size=60, p=[0.25, 0.1, 0.15, 0.1, 0.2, 0.1, 0.1])]] += 1.0
        treble[:, scale[[0, 2, 4]]] += 0.3
        frames.append((0.5 * np.arange(60), bass, treble))
        keys.append([key])
    return ChromaTable.from_frames(frames), truth_mask(keys), np.arange(n)


@pytest.fixture(scope="module")
def heard():
    return recordings(140)


LISTENERS = ["krumhansl-kessler", "krumhansl-kessler-modes", "logistic", "logistic-balanced"]


@pytest.fixture(scope="module")
def fitted(heard):
    chroma, truth, groups = heard
    return {name: make(name).fit(chroma, truth, groups=groups) for name in LISTENERS}


@pytest.mark.parametrize("name", LISTENERS)
def test_the_answer_moves_with_the_music(fitted, name):
    chroma = recordings(30, seed=1)[0]
    expected = fitted[name].predict_log_proba(chroma)
    for k in (1, 6, 7, -2):
        moved = fitted[name].predict_log_proba(chroma.transpose(k))
        np.testing.assert_allclose(moved, transpose_keys(expected, k), atol=1e-3)
        assert moved.argmax(axis=1).tolist() == transpose_keys(expected, k).argmax(axis=1).tolist()
        answers = fitted[name].predict(chroma)
        assert (
            fitted[name].predict(chroma.transpose(k)).tolist() == (12 * (answers // 12) + (answers + k) % 12).tolist()
        )


@pytest.mark.parametrize("name", LISTENERS)
def test_alone_as_in_company(fitted, name):
    chroma = ChromaTable.concatenate([recordings(20, seed=2)[0], ChromaTable.from_frames([NOTHING])])
    together = fitted[name].predict_log_proba(chroma)
    assert np.abs(np.exp(together).sum(axis=1) - 1).max() < 1e-6
    for i in range(len(chroma)):
        np.testing.assert_allclose(fitted[name].predict_log_proba(chroma[i].detach())[0], together[i], atol=1e-3)


def test_the_logistic_model_learns_from_recordings(fitted):
    chroma, truth, _ = recordings(70, seed=3)
    assert fitted["logistic"].score(chroma, truth) > 0.9  # measured: .986; by chance 1/84
    assert fitted["logistic"].score(chroma, truth) >= fitted["krumhansl-kessler"].score(chroma, truth)


@pytest.mark.parametrize("name", sorted(PROFILES))
def test_a_profile_correlates_with_the_energy_of_each_pitch_class(name, heard):
    chroma, truth, _ = heard
    few = chroma[:5]
    model = make(name).fit(chroma, truth)
    scores = model._scores(few)
    for i, (_, bass, treble) in enumerate(pieces_of(few)):
        energy = (bass + treble).sum(axis=0)
        for tonic in (0, 5):
            for mode, profile in ((0, PROFILES[name].major), (5, PROFILES[name].minor)):
                expected = np.corrcoef(energy, np.roll(profile, tonic))[0, 1]  # numpy's correlation (Pearson)
                assert scores[i, 12 * mode + tonic] == pytest.approx(expected, abs=1e-6)


def test_duration_weights_of_a_recording_are_its_energies(heard):
    np.testing.assert_array_equal(duration_weights(heard[0]), chroma_weights(heard[0]))


@pytest.mark.parametrize("name", LISTENERS)
def test_silence_gets_no_sure_answer(fitted, name):
    still = (np.arange(3.0), np.zeros((3, 12)), np.zeros((3, 12)))
    with np.errstate(all="raise", under="ignore"):
        log_proba = fitted[name].predict_log_proba(ChromaTable.from_frames([NOTHING, still]))
    assert np.isfinite(log_proba).all()
    assert np.exp(log_proba).max() < 0.5


NOTES_ONLY = [name for name in names() if make(name).tags.takes == "notes"]


def test_there_are_methods_for_notes_only_and_for_either():
    assert {"opening-note", "last-note", "best-fitting-scale", "hmm", "sliding-window"} <= set(NOTES_ONLY)
    assert not set(LISTENERS) & set(NOTES_ONLY)


SLOW_TO_FIT = {"trees", "ensemble", "ensemble-balanced", "structured"}


@pytest.mark.parametrize("name", [name for name in NOTES_ONLY if name not in SLOW_TO_FIT])
def test_a_method_for_notes_refuses_recordings_in_one_line(name, heard):
    chroma, truth, groups = heard
    notes, key, related = small_corpus(28)
    model = make(name).fit(notes, key, groups=related)
    for call in (
        lambda: make(name).fit(chroma, truth, groups=groups),
        lambda: model.predict_log_proba(chroma),
        lambda: model.predict(chroma),
    ):
        with pytest.raises(KeybenchError) as caught:
            call()
        assert re.search("is a ChromaTable|the music is chroma", str(caught.value))
        assert "accepted: " in str(caught.value)
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", LISTENERS)
def test_methods_explain_what_they_heard_in_recordings(fitted, heard, name):
    evidence = fitted[name].explain(heard[0][:2])
    predicted = fitted[name].predict(heard[0][:2])
    assert [e.ranked[0][0].index for e in evidence] == predicted.tolist()
    assert all(e.words for e in evidence)


@pytest.mark.parametrize("learnt_from", ["notes", "chroma"])
def test_what_was_learnt_from_one_medium_refuses_the_other_by_name(fitted, heard, learnt_from):
    notes, truth, groups = small_corpus()
    model, other = (
        (make("logistic").fit(notes, truth, groups=groups), heard[0][:2])
        if learnt_from == "notes"
        else (fitted["logistic"], notes[:2])
    )
    with pytest.raises(KeybenchError):
        model.predict_log_proba(other)


def test_no_key_is_left_without_probability(fitted, heard):
    for name in LISTENERS:
        log_proba = fitted[name].predict_log_proba(heard[0][:10])
        assert log_proba.shape == (10, N_KEYS)
        assert np.isfinite(log_proba).all()


# --- Chords heard ----------------------------------------------------------------------------------------------------


def progression(chords, frames_each=8, seconds=0.37, noise=0.05, seed=0):
    """Make a recording of triads, each a root and whether it is minor, with the root in the bass."""
    rng = np.random.default_rng(seed)
    bass, treble = noise * rng.random((2, len(chords) * frames_each, 12))
    for i, (root, minor) in enumerate(chords):
        some = slice(i * frames_each, (i + 1) * frames_each)
        bass[some, root] += 1.0
        treble[some, [root, (root + 4 - minor) % 12, (root + 7) % 12]] += 1.0
    return seconds * np.arange(len(bass)), bass, treble


SONG = [(0, 0), (9, 1), (5, 0), (7, 0), (0, 0), (9, 1), (2, 1), (7, 0), (0, 0)]


def test_chords_that_are_played_are_heard():
    table = ChromaTable.from_frames([NOTHING, progression(SONG), NOTHING, progression(SONG[::-1])])
    path = chord_path(table, chord_fits(table))
    expected = [root + 12 * minor for song in (SONG, SONG[::-1]) for root, minor in song for _ in range(8)]
    assert path.tolist() == expected


def test_a_passing_sound_does_not_change_the_chord():
    time, bass, treble = progression([(0, 0)] * 3)
    treble[11] = np.eye(12)[[2, 6, 9]].sum(axis=0)  # one frame of another triad over the same bass
    table = ChromaTable.from_frames([(time, bass, treble)])
    fits = chord_fits(table)
    assert fits[11].argmax() == 2
    assert set(chord_path(table, fits).tolist()) == {0}
    assert chord_probabilities(table, fits)[11].argmax() == 0


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 5), st.integers(0, 999))
def test_the_path_is_the_best_of_all(n, seed):
    """Against every path, on two chords' worth of scores: all others fit much worse."""
    fits = np.full((n, 24), -1000.0)
    fits[:, [3, 14]] = np.random.default_rng(seed).normal(scale=4.0, size=(n, 2))
    table = ChromaTable.from_frames([(0.37 * np.arange(n), np.ones((n, 12)), np.ones((n, 12)))])
    best = max(
        product([3, 14], repeat=n),
        key=lambda path: sum(fits[i, c] for i, c in enumerate(path)) - 4.0 * sum(a != b for a, b in pairwise(path)),
    )
    assert chord_path(table, fits).tolist() == list(best)


def test_pieces_of_all_lengths_get_the_path_that_they_get_alone():
    rng = np.random.default_rng(0)
    lengths = [3, 0, 400, 1, 37, 2000]
    frames = [(0.2 * np.arange(n), rng.random((n, 12)), rng.random((n, 12))) for n in lengths]
    table = ChromaTable.from_frames(frames)
    together = np.split(chord_path(table, chord_fits(table)), table.offsets[1:-1])
    for one, path in zip(frames, together, strict=True):
        alone = ChromaTable.from_frames([one])
        assert chord_path(alone, chord_fits(alone)).tolist() == path.tolist()


def recording_channel(table, name):
    return recording_channels(table)[:, RECORDING_CHANNEL_NAMES.index(name)]


def test_recording_channels_by_name():
    table = ChromaTable.from_frames([progression(SONG, noise=0.0)])
    minor = recording_channel(table, "minor chords, whole")[0]
    assert set(np.flatnonzero(minor)) == {9, 2}
    assert minor[9] ** 2 == pytest.approx(2 / 3)  # A minor sounds twice, D minor once
    held = recording_channel(table, "major chords held long (1.5)")[0]
    assert np.argsort(-held)[:2].tolist() == [0, 7]
    major_third = recording_channel(table, "treble 4 above the root of a chord")[0]
    assert set(np.flatnonzero(major_third)) == {0, 5, 7}
    fourth_up = recording_channel(table, "major chord 5 above a major one a bar ago")[0]
    assert fourth_up.argmax() == 0  # G to C
    third_up = recording_channel(table, "treble 4 above a bass note")[0]
    assert set(np.flatnonzero(third_up)) == {4, 9, 11}  # of C, F and G, placed at the third


@settings(max_examples=25, deadline=None)
@given(tables(), st.integers(-15, 15))
def test_recording_channels_roll_and_look_at_each_piece_by_itself(table, k):
    found = recording_channels(table)
    assert found.shape == (len(table), len(RECORDING_CHANNEL_NAMES), 12)
    assert np.isfinite(found).all()
    for i in range(len(table)):
        np.testing.assert_allclose(recording_channels(table[i].detach())[0], found[i], atol=1e-5)
    # Energies that are small whole numbers tie, also for the strongest note; where they do not, all follows the music.
    rng = np.random.default_rng(k + 50)
    columns = table.columns()
    loose = ChromaTable(
        time=columns["time"],
        bass=columns["bass"] + rng.random(columns["bass"].shape).astype(np.float32),
        treble=columns["treble"] + rng.random(columns["treble"].shape).astype(np.float32),
        offsets=table.offsets,
    )
    moved = recording_channels(loose.transpose(k))
    np.testing.assert_allclose(moved, np.roll(recording_channels(loose), k, axis=2), atol=1e-5)


def test_frames_twice_as_fine_tell_the_same():
    time, bass, treble = progression(SONG, noise=0.0)
    finer = (np.arange(2 * len(time)) * 0.185, np.repeat(bass, 2, axis=0), np.repeat(treble, 2, axis=0))
    table = ChromaTable.from_frames([(time, bass, treble), finer])
    coarse, fine = recording_channels(table)
    assert np.abs(coarse - fine).max() < 0.2
    assert np.abs(coarse - fine).mean() < 0.01


def test_silent_recordings_have_no_channels():
    silent = (0.37 * np.arange(30), np.zeros((30, 12)), np.zeros((30, 12)))
    assert not recording_channels(ChromaTable.from_frames([NOTHING, silent])).any()
