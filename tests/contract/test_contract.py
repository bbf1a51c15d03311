"""Every registered method keeps the public contract, and the contract notices those who do not."""

import numpy as np
import pytest

from keybench import estimators
from keybench.estimators import checks
from keybench.estimators.base import ScoringEstimator, Tags
from keybench.estimators.features import note_counts
from keybench.key import N_KEYS


def by_cost():
    """All methods; those that take long to fit are left to the long tests."""
    heavy = {name for name in estimators.names() if estimators.entry(name).simplicity >= 6}
    return [pytest.param(name, marks=pytest.mark.slow) if name in heavy else name for name in estimators.names()]


@pytest.mark.parametrize("name", by_cost())
def test_method_keeps_the_contract(name):
    outcome = checks.run_checks(estimators.make(name), name)
    assert not outcome.failed, str(outcome)
    assert outcome.n_run >= 16, str(outcome)


def test_every_method_has_a_plain_description_and_a_source():
    assert len(estimators.names()) >= 21
    for name in estimators.names():
        known = estimators.entry(name)
        assert known.description.endswith(".")
        assert "\n" not in known.description
        assert known.source


class Honest(ScoringEstimator):
    """Counts notes; the same score for every mode."""

    def _scores(self, X):
        return np.tile(note_counts(X), 7) / np.maximum(X.n_notes, 1)[:, None]


class ForgetsToTranspose(Honest):
    def _scores(self, X):
        return super()._scores(X) + np.arange(N_KEYS) * 1e-3


class AnswersNaN(Honest):
    def predict_log_proba(self, X):
        return super().predict_log_proba(X) * np.nan


class WrongShape(Honest):
    def predict_log_proba(self, X):
        return super().predict_log_proba(X)[:, :24]


class Raises(Honest):
    def predict_log_proba(self, X):
        raise RuntimeError("out of tune")


class LooksAround(Honest):
    """Lets pieces of one batch change each other's answers."""

    def _scores(self, X):
        return super()._scores(X) + (len(X) > 1) * super()._scores(X).mean(axis=0, initial=0.0, keepdims=True)


class ChangesItsInput(Honest):
    def _scores(self, X):
        X.pitch[:] = np.round(X.pitch) + 1.0
        return super()._scores(X)


class Random(Honest):
    def _scores(self, X):
        return super()._scores(X) + np.random.default_rng().random((len(X), N_KEYS))


class Peeks(Honest):
    """Learns from the whole table that its training pieces were selected from."""

    def _learn(self, X, truth):
        root = X if X._root is None else X._root
        self.bias_ = np.tile(note_counts(root.detach()).mean(axis=0), 7)

    def _scores(self, X):
        return super()._scores(X) + self.bias_


def test_an_honest_plug_in_passes():
    outcome = checks.run_checks(Honest())
    assert not outcome.failed, str(outcome)


@pytest.mark.parametrize(
    ("broken", "caught_by"),
    [
        (ForgetsToTranspose, "transposition"),
        (AnswersNaN, "log_proba_is_a_distribution"),
        (WrongShape, "log_proba_is_a_distribution"),
        (Raises, "log_proba_is_a_distribution"),
        (LooksAround, "alone_as_in_company"),
        (ChangesItsInput, "does_not_change_input"),
        (Random, "deterministic"),
        (Peeks, "fit_looks_only_at_training"),
    ],
)
def test_a_broken_plug_in_is_caught(broken, caught_by):
    outcome = checks.run_checks(broken())
    assert caught_by in outcome.failed, str(outcome)


def test_the_suite_says_how_many_checks_ran(capsys):
    assert checks.main(["opening-note", "krumhansl-kessler"]) == 0
    printed = capsys.readouterr().out
    n = len(checks.CHECKS)
    assert f"opening-note: {n} checks run, 0 failed" in printed
    assert f"{2 * n} checks run on 2 methods, 0 failed" in printed


def test_an_unknown_method_is_named(capsys):
    assert checks.main(["no-such-method"]) == 2
    assert "unknown estimator 'no-such-method'" in capsys.readouterr().err


def test_a_skipped_check_is_not_counted_as_run():
    class Declared(ForgetsToTranspose):
        tags = Tags(equivariant=False)

    outcome = checks.run_checks(Declared())
    assert set(outcome.skipped) == {"transposition", "nonsense_gets_a_flat_answer"}
    assert outcome.n_run == len(checks.CHECKS) - 2
