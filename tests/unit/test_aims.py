"""How near the aims are, worked out by hand."""

import numpy as np
import pytest

from keybench.errors import RunError
from keybench.report.aims import judge_aim
from keybench.stats.intervals import NOTHING, Estimate


def aim(measure, value, given=None, of=(), idea="listen again", corpus="all"):
    return {"measure": measure, "value": value, "given": given or {}, "of": list(of), "idea": idea, "corpus": corpus}


def figures(**values):
    return {name: Estimate(value, value - 0.01, value + 0.01, 100) for name, value in values.items()}


MEASURED = {
    "plain": figures(exact=0.93, mean_mode_recall=0.70, calibration_error=0.010),
    "balanced": figures(exact=0.921, mean_mode_recall=0.77, calibration_error=0.044),
    "wild": figures(exact=0.80, mean_mode_recall=0.90, calibration_error=0.300),
}


def test_the_nearest_method_is_shown_and_how_far_it_is():
    found = judge_aim(aim("exact", 0.95), MEASURED)
    assert (found.method, found.met) == ("plain", False)
    assert found.short_by == pytest.approx(0.02)
    assert found.text == "right at least 0.95"
    assert judge_aim(aim("exact", 0.93), MEASURED).met


def test_of_errors_the_aim_is_the_most_that_will_do():
    assert judge_aim(aim("calibration_error", 0.02), MEASURED).met
    found = judge_aim(aim("calibration_error", 0.005), MEASURED)
    assert (found.method, found.met, found.short_by) == ("plain", False, pytest.approx(0.005))


def test_a_condition_comes_first():
    found = judge_aim(aim("mean_mode_recall", 0.85, given={"exact": 0.92}), MEASURED)
    assert (found.method, found.met) == ("balanced", False), "the wild one is further from its condition"
    assert found.short_by == pytest.approx(0.08)
    assert judge_aim(aim("mean_mode_recall", 0.75, given={"exact": 0.92}), MEASURED).met
    assert not judge_aim(aim("mean_mode_recall", 0.75, given={"exact": 0.95}), MEASURED).met


def test_an_aim_of_every_method_is_met_by_all_or_not_at_all():
    found = judge_aim(aim("calibration_error", 0.02, of=["plain", "balanced", "wild"]), MEASURED)
    assert (found.method, found.met) == ("wild", False)
    assert [name for name, _ in found.others] == ["balanced"]
    assert judge_aim(aim("calibration_error", 0.05, of=["plain", "balanced"]), MEASURED).met


def test_what_was_not_measured_meets_nothing():
    measured = {"silent": {"exact": NOTHING}, **MEASURED}
    assert judge_aim(aim("exact", 0.9), measured).method == "plain"
    found = judge_aim(aim("exact", 0.9, of=["silent"]), measured)
    assert not found.met
    assert np.isnan(found.estimate.value)


def test_a_measure_that_does_not_exist():
    with pytest.raises(RunError, match="'loudness', which is no measure; accepted: calibration_error"):
        judge_aim(aim("loudness", 1.0), MEASURED)
