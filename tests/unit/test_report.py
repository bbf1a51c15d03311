"""What the report works out from answers: "not sure" and causes, against counts by hand."""

import numpy as np
import pytest

from keybench.corpora.audits import LOOK
from keybench.key import RELATIONS, parse_key, truth_mask
from keybench.report.build import STATED_RISK, abstention, why_wrong
from keybench.scores.causes import CAUSES
from keybench.scores.table import Answers

N_KEYS = 84


def answers(said, sure, fold, **columns):
    """Pieces in G major, of which a method says `said` with probability `sure` (None where it failed)."""
    n = len(said)
    predicted = np.array([-1 if key is None else parse_key(key).index for key in said])
    log_proba = np.log((1 - np.array(sure))[:, None] / (N_KEYS - 1) * np.ones(N_KEYS))
    log_proba[np.arange(n), predicted] = np.log(sure)
    log_proba[predicted < 0] = np.nan
    strata = np.empty(n, dtype=object)
    strata[:] = columns.pop("strata", [()] * n)
    usual = {"n_notes": np.full(n, 40), "n_pitch_classes": np.full(n, 7), "n_keys": np.zeros(n, dtype=int)}
    return Answers(
        piece=np.array([f"x:{i}" for i in range(n)]), corpus=np.full(n, "x"), fold=np.array(fold), group=np.arange(n),
        tonic=np.full(n, 7), mode=np.zeros(n, dtype=int), predicted=predicted,
        truth=truth_mask([[parse_key("G major")]] * n), log_proba=log_proba, seconds=np.full(n, 0.001),
        error=np.where(predicted < 0, "boom", ""), headline=np.ones(n, dtype=bool), strata=strata, **usual | columns,
    )  # fmt: skip


def test_not_sure_is_said_where_the_other_folds_were_wrong():
    # Each fold: 300 answers, 90 % sure, all right; 20 answers, 60 % sure, all wrong.
    said = (["G major"] * 300 + ["D major"] * 20) * 2
    found = abstention("m", answers(said, ([0.9] * 300 + [0.6] * 20) * 2, [0] * 320 + [1] * 320), "modes")
    assert found.coverage == pytest.approx(600 / 640)
    assert found.risk == 0.0
    assert found.levels[0] == (0.9, 1.0, 600)
    assert [n for _, _, n in found.levels] == [600, 0, 0]


def test_a_method_that_is_always_wrong_answers_nothing():
    found = abstention("m", answers(["D major"] * 60, [0.99] * 60, [0, 1] * 30), "modes")
    assert found.coverage == 0.0
    assert np.isnan(found.risk)
    assert found.levels[-1] == (0.99, 0.0, 60)


@pytest.mark.parametrize("fold", [[0, 0, 0], [0, 1, 2]])
def test_a_few_pieces_are_too_few_to_promise_anything(fold):
    assert abstention("m", answers(["G major"] * 3, [0.9] * 3, fold), "modes").coverage == 0.0
    assert STATED_RISK == 0.05


def test_causes_are_counted_among_wrong_and_right_answers():
    said = ["G major", "E minor", "D major", None, "G major"]
    found = why_wrong(
        "m",
        answers(
            said, [0.5] * 5, [0] * 5,
            strata=[(LOOK,), (LOOK,), (), (), ()], n_pitch_classes=np.array([7, 5, 6, 7, 6]),
            n_notes=np.array([40, 40, 10, 40, 40]),
        ),
        "modes",
    )  # fmt: skip
    assert (found.n_wrong, found.n_right) == (3, 2)
    assert {name: (wrong, right) for name, wrong, right in found.rows} == {
        "label to look at": (1, 1), "too short": (1, 0), "moves to other keys": (0, 0), "gapped scale": (2, 1),
    }  # fmt: skip
    by_cause = dict(found.relations)
    assert list(by_cause) == [*CAUSES, "nothing of these"]
    assert by_cause["label to look at"][RELATIONS.index("same scale notes")] == 1
    assert by_cause["too short"][RELATIONS.index("fifth above")] == 1
    assert sum(map(sum, by_cause.values())) == 2, "a failure stands to no key"
