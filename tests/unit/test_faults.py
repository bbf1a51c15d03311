"""Inputs that once gave a wrong answer without a word."""

import numpy as np
import pytest

from keybench.errors import EstimatorError, KeyNameError, NotesError
from keybench.estimators import make
from keybench.estimators.base import ScoringEstimator
from keybench.estimators.chain import forward_backward
from keybench.estimators.checks import small_corpus
from keybench.estimators.features import CHANNEL_NAMES, tune_channels
from keybench.key import parse_key, project_mask, truth_mask
from keybench.notes import NoteTable, Piece


@pytest.mark.parametrize("parameters", [{"stay": 1.0}, {"stay": 0.0}, {"prior_steps": 0.0}])
def test_impossible_models_are_refused(parameters):
    notes, truth, _ = small_corpus()
    with pytest.raises(EstimatorError, match="accepted"):
        make("hmm", **parameters).fit(notes, truth)


def test_occupancy_survives_steps_that_contradict_each_other():
    emission = np.array([[0.0, -800], [0, -800], [-800, 0], [-800, 0]])
    found = forward_backward(emission, np.array([0, 4]), np.log([0.5, 0.5]), np.log([[0.9, 0.1], [0.1, 0.9]]))
    assert found.gamma.mean(axis=0) == pytest.approx([0.5, 0.5])


def test_a_score_of_nan_is_an_error_and_not_a_key_without_a_name():
    class Broken(ScoringEstimator):
        def _scores(self, X):
            return np.full((len(X), 84), np.nan) if hasattr(self, "sharpness_") else np.zeros((len(X), 84))

    notes, truth, _ = small_corpus()
    with pytest.raises(EstimatorError, match="NaN"):
        Broken().fit(notes, truth).predict_log_proba(notes)


def test_quarter_tones_move_with_the_music():
    notes, truth, _ = small_corpus()
    model = make("krumhansl-kessler").fit(notes, truth)
    line = NoteTable.from_notes([60.5, 64.5, 67.5, 72.5, 60.5])
    answers = [int(model.predict(line.transpose(k))[0]) for k in range(4)]
    assert answers == [answers[0] + k for k in range(4)]


def test_the_last_note_of_a_closing_chord_is_its_bass_everywhere():
    notes, truth, _ = small_corpus()
    line = NoteTable.from_notes([62, 64, 65, 60, 64, 67], 1, [0, 1, 2, 3, 3, 3])
    evidence = make("last-note").fit(notes, truth).explain(line)[0]
    assert evidence.last_note == "C"
    assert any("ends on C" in sentence for sentence in evidence.words)
    assert tune_channels(line)[0, CHANNEL_NAMES.index("last")].argmax() == 0


@pytest.mark.parametrize("text", ["B-", "EB", "A-:"])
def test_half_a_notation_is_refused(text):
    with pytest.raises(KeyNameError, match="accepted"):
        parse_key(text)


def test_unknown_label_space_for_truths():
    with pytest.raises(KeyNameError, match="accepted: tonic"):
        project_mask(truth_mask([[parse_key("C major")]]), "chords")


@pytest.mark.parametrize(
    "piece",
    [
        Piece(np.zeros(1), np.ones(1), np.array(["high"])),
        Piece(np.zeros(1), np.ones(1), np.ones(1), part=np.array([np.nan])),
        Piece(np.zeros(1), np.ones(1), np.ones(1), accent=np.array([7])),
        Piece(np.zeros(1), np.ones(1), np.ones(1), accent=np.array([1.9])),
    ],
)
def test_columns_that_cannot_be_meant(piece):
    with pytest.raises(NotesError, match="accepted"):
        NoteTable.from_pieces([piece])


def test_replace_knows_its_columns():
    line = NoteTable.from_notes([60, 62])
    for columns in ({"durations": np.ones(2)}, {"duration": np.ones(3)}):
        with pytest.raises(NotesError, match="accepted"):
            line.replace(**columns)


def test_a_shared_feature_cannot_be_written_into():
    feature = NoteTable.from_notes([60, 62]).feature(tune_channels)
    with pytest.raises(ValueError, match="read-only"):
        feature[:] = 0


def test_nothing_to_learn_from():
    nothing = NoteTable.from_pieces([])
    assert len(NoteTable.concatenate([])) == 0
    for name in ("logistic", "hmm", "opening-note", "most-common-key"):
        with pytest.raises(EstimatorError, match="no pieces"):
            make(name).fit(nothing, np.zeros((0, 84)))


def test_groups_of_another_length():
    notes, truth, _ = small_corpus()
    with pytest.raises(EstimatorError, match="accepted: one for each"):
        make("logistic").fit(notes, truth, groups=np.arange(3))
