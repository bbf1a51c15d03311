"""Parameters chosen on inner folds: what is chosen, from what, and that nothing of a piece reaches its own choice."""

import numpy as np
import pytest
from sklearn.model_selection import GridSearchCV, PredefinedSplit

from keybench.errors import EstimatorError
from keybench.estimators import make
from keybench.estimators.checks import small_corpus
from keybench.estimators.inner import inner_folds
from keybench.estimators.tuned import Tuned


def log_score(model, X, truth):
    p = np.exp(model.predict_log_proba(X))
    return float(np.log((p * truth).sum(axis=1)).mean())


def test_the_choice_is_that_of_scikit_learn_on_the_same_folds():
    X, truth, groups = small_corpus(72)
    grid = {"l2": [0.5, 5.0, 500.0], "single_note": [0.2, 1.0]}
    model = Tuned("logistic", grid).fit(X, truth, groups)
    fold_of = inner_folds(len(X), groups, 3, 0)
    search = GridSearchCV(make("logistic"), grid, scoring=log_score, cv=PredefinedSplit(fold_of), refit=False)
    search.fit(X, truth)  # its folds are all of 24 pieces, so that its mean is that over pieces
    assert model.chosen_ == search.best_params_
    assert sorted(np.bincount(fold_of)) == [24, 24, 24]


def test_answers_are_those_of_the_method_with_what_was_chosen():
    X, truth, groups = small_corpus()
    model = Tuned("krumhansl-kessler", {"weighting": ["duration", "count"]}).fit(X, truth, groups)
    assert len(model.loss_) == 2
    alone = make("krumhansl-kessler", **model.chosen_).fit(X, truth, groups)
    np.testing.assert_array_equal(model.predict_log_proba(X), alone.predict_log_proba(X))
    np.testing.assert_array_equal(model.predict(X), alone.predict(X))


def test_equal_losses_choose_the_first():
    X, truth, groups = small_corpus(24)
    assert Tuned("logistic", {"exact_cost": [0.02, 0.01]}).fit(X, truth, groups).chosen_ == {"exact_cost": 0.02}


def test_it_takes_what_the_method_takes():
    assert Tuned("kernel-chroma", {"width": [1.0]}).tags.takes == "chroma"
    assert Tuned("kernel-both", {"width": [1.0]}).tags.takes == "both"
    assert Tuned().tags.learns


@pytest.mark.parametrize(
    "parameters",
    [
        {"base": "no-such-method"},
        {"grid": {}},
        {"grid": {"l3": [1.0]}},
        {"grid": {"l2": []}},
        {"grid": {"l2": 3.0}},
        {"grid": {"l2": [-1.0]}},
        {"grid": {"l2": [1.0] * 65}},
        {"folds": 1},
    ],
)
def test_a_grid_that_cannot_be_tried_is_named(parameters):
    with pytest.raises(EstimatorError) as caught:
        Tuned(**parameters).check_parameters()
    assert "accepted: " in str(caught.value)
    assert "\n" not in str(caught.value)
