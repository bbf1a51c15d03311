"""Do 95 % intervals hold the truth in 93 to 97 of 100 samples? Simulations with known truth; the slow ones are wider.

Groups are of the sizes of the tune collections, and pieces of a group are alike: the chance of a group is drawn from a
beta distribution with the truth as its mean. Samples with the same groups share their resamples, so that thousands are
quick. The bounds below leave room for the noise of the simulation itself, half a percent where it has 2,000 samples.
"""

import numpy as np
import pytest
from scipy import stats

from keybench.key import MODES
from keybench.scores import calibration
from keybench.stats.intervals import GroupBootstrap, mean_of

SIZES, HOW_MANY = [1, 2, 3, 4, 5, 8, 19], [0.885, 0.095, 0.012, 0.005, 0.001, 0.001, 0.001]  # of three tune books
ALIKE = 0.3  # correlation within groups


def groups_of(n_groups, rng):
    return np.repeat(np.arange(n_groups), rng.choice(SIZES, p=HOW_MANY, size=n_groups))


def a_few_large(n_groups, rng):
    sizes = rng.geometric(0.35, n_groups) + (rng.random(n_groups) < 0.03) * rng.integers(5, 15, n_groups)
    return np.repeat(np.arange(n_groups), sizes)


def chances(truth, uniform):
    return stats.beta.ppf(uniform, truth * (1 / ALIKE - 1), (1 - truth) * (1 / ALIKE - 1))


def held(estimates, truth):
    return 100 * np.mean([e.low - 1e-9 <= truth <= e.high + 1e-9 for e in estimates])


def share_held(n_groups, truth, samples, draw_groups=groups_of, columns=250):
    estimates = []
    for seed in range(samples // columns):
        rng = np.random.default_rng((seed, n_groups))
        groups = draw_groups(n_groups, rng)
        chance = rng.beta(truth * (1 / ALIKE - 1), (1 - truth) * (1 / ALIKE - 1), size=(n_groups, columns))
        right = (rng.random((len(groups), columns)) < chance[groups]) * 1.0
        estimates += GroupBootstrap(groups, 1000, seed).ratios(right, np.ones_like(right))
    return held(estimates, truth)


def two_methods(groups, a, b, same, rng):
    """Right answers of two methods that find the same groups, and mostly the same pieces, hard."""
    of_group = rng.random(groups.max() + 1)
    one, other = rng.random(len(groups)), rng.random(len(groups))
    other = np.where(rng.random(len(groups)) < same, one, other)
    return (one < chances(a, of_group)[groups]) * 1.0, (other < chances(b, of_group)[groups]) * 1.0


def difference_held(n_groups, a, b, same, samples):
    estimates = []
    for seed in range(samples):
        rng = np.random.default_rng((seed, n_groups))
        groups = groups_of(n_groups, rng)
        e, p = GroupBootstrap(groups, 500, seed).difference(*two_methods(groups, a, b, same, rng))
        assert (p < 0.05) == (e.low > 0 or e.high < 0)
        estimates.append(e)
    return held(estimates, a - b)


def test_shares_quickly():
    assert 93.0 <= share_held(60, 0.9, 1000) <= 97.5
    assert 93.0 <= share_held(20, 0.5, 1000) <= 97.5
    assert 93.0 <= share_held(200, 0.99, 1000) <= 97.5


def test_percentiles_would_not_do():
    # What these intervals are for: the percentiles of the same resamples miss the truth too often.
    missed = 0
    for seed in range(4):
        rng = np.random.default_rng((seed, 60))
        groups = groups_of(60, rng)
        right = (rng.random((len(groups), 250)) < rng.beta(0.9 / 0.3 * 0.7, 0.1 / 0.3 * 0.7, (60, 250))[groups]) * 1.0
        sums = GroupBootstrap(groups, 1000, seed).totals(np.column_stack([right, np.ones(len(groups))]))
        low, high = np.percentile(sums[:, :-1] / sums[:, -1:], [2.5, 97.5], axis=0)
        missed += ((low > 0.9) | (high < 0.9)).sum()
    assert missed / 1000 > 0.07


def test_differences_quickly():
    assert 92.0 <= difference_held(60, 0.8, 0.7, 0.5, 300) <= 98.0


def test_a_mean_over_modes_by_hand():
    rng = np.random.default_rng(0)
    marks = np.repeat(np.eye(3), [200, 50, 30], axis=0)
    right = (rng.random(280) < np.repeat([0.9, 0.6, 0.5], [200, 50, 30])) * 1.0
    parts = GroupBootstrap(np.arange(280), 500).ratios(marks * right[:, None], marks)
    e = mean_of(parts)
    assert e.value == pytest.approx(np.mean([p.value for p in parts]))
    assert e.n == 280
    # Worked from Zou & Donner 2008: squares of the distances of each bound, added and divided by their number.
    assert e.value - e.low == pytest.approx(np.sqrt(sum((p.value - p.low) ** 2 for p in parts)) / 3)
    assert e.high - e.value == pytest.approx(np.sqrt(sum((p.high - p.value) ** 2 for p in parts)) / 3)
    assert mean_of([]).n == 0


def calibration_sample(n_groups, exponent, rng):
    """Confidences, and answers that are right with that power of them as their chance."""
    groups = groups_of(n_groups, rng)
    sure = np.clip(rng.beta(3, 0.7, n_groups)[groups] + rng.normal(0, 0.05, len(groups)), 0.02, 0.99)
    shared = np.where(rng.random(len(groups)) < ALIKE, rng.random(n_groups)[groups], rng.random(len(groups)))
    return groups, sure, (shared < sure**exponent) * 1.0


def calibration_held(n_groups, exponent, samples):
    _, sure, right = calibration_sample(300_000, exponent, np.random.default_rng(1))
    truth = calibration.calibration_error(sure, right)
    estimates = []
    for seed in range(samples):
        groups, sure, right = calibration_sample(n_groups, exponent, np.random.default_rng((seed, n_groups)))
        gaps = np.zeros((len(right), calibration.N_BINS))
        gaps[np.arange(len(right)), calibration.equal_mass_bins(sure)] = sure - right
        e = GroupBootstrap(groups, 400, seed).absolute_sum(gaps, np.ones(len(right)))
        assert e.value == pytest.approx(calibration.calibration_error(sure, right))
        assert e.low <= e.value <= e.high
        estimates.append(e)
    return held(estimates, truth)


def test_a_calibrated_method_is_not_called_uncalibrated():
    assert calibration_held(200, 1.0, 150) > 88.0


def test_nothing_and_one_group_still_give_an_answer():
    one = GroupBootstrap(np.zeros(4, dtype=int), 100)
    e = one.mean(np.array([1.0, 1.0, 0.0, 1.0]))
    assert e.value == 0.75
    assert e.high - e.low > 0.5  # one group says little about others
    assert one.mean(np.array([3.0, 1.0, 0.0, 9.0])).value == 3.25
    assert one.difference(np.ones(4), np.zeros(4))[1] > 0.05
    assert one.absolute_sum(np.zeros((4, 2)), np.zeros(4)).n == 0
    nothing = GroupBootstrap(np.zeros(0, dtype=int), 100)
    assert nothing.ratios(np.zeros((0, 2)), np.zeros((0, 2)))[1].n == 0


def test_a_mode_that_most_resamples_lack():
    groups, mode = np.arange(300), np.full(300, MODES.index("major"))
    mode[:2] = MODES.index("lydian")
    rare = (mode == MODES.index("lydian")) * 1.0
    e = GroupBootstrap(groups, 500).ratios(rare[:, None] * (groups == 0)[:, None], rare[:, None])[0]
    assert (e.value, e.n) == (0.5, 2)
    assert e.low < 0.15
    assert e.high > 0.85


@pytest.mark.slow
@pytest.mark.parametrize("n_groups", [20, 60, 200, 1000])
@pytest.mark.parametrize("truth", [0.5, 0.8, 0.9, 0.95, 0.99])
def test_shares(n_groups, truth):
    assert 93.0 <= share_held(n_groups, truth, 3000) <= (98.5 if (n_groups, truth) == (20, 0.99) else 97.5)


@pytest.mark.slow
@pytest.mark.parametrize("n_groups", [60, 200, 1000])
@pytest.mark.parametrize("truth", [0.5, 0.8, 0.95])
def test_shares_where_a_few_groups_are_large(n_groups, truth):
    assert 92.0 <= share_held(n_groups, truth, 2000, a_few_large) <= 98.0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n_groups", "a", "b", "same", "most"),
    [
        (60, 0.5, 0.5, 0.5, 97.5), (60, 0.8, 0.7, 0.5, 97.5), (200, 0.8, 0.7, 0.5, 97.0), (200, 0.93, 0.88, 0.8, 97.5),
        (1000, 0.93, 0.88, 0.8, 97.5), (1000, 0.99, 0.97, 0.8, 97.5), (20, 0.99, 0.97, 0.8, 100.0),
    ],
)  # fmt: skip
def test_differences(n_groups, a, b, same, most):
    assert 92.5 <= difference_held(n_groups, a, b, same, 800) <= most


@pytest.mark.slow
@pytest.mark.parametrize("n_groups", [60, 200, 1000])
def test_a_skewed_loss(n_groups):
    # Nine answers in ten cost little; the wrong ones, in hard groups above all, cost much (skewness about 5).
    def draw(groups, rng):
        hard = np.where(rng.random(groups.max() + 1) < 0.08, 0.6, 0.05)[groups]
        wrong = rng.random(len(groups)) < hard
        return np.where(wrong, rng.normal(3.0, 1.0, len(groups)).clip(0.0), rng.exponential(0.1, len(groups)))

    share = 0.08 * 0.6 + 0.92 * 0.05
    truth = share * 3.0 + (1 - share) * 0.1
    estimates = []
    for seed in range(800):
        rng = np.random.default_rng((seed, n_groups))
        groups = groups_of(n_groups, rng)
        estimates.append(GroupBootstrap(groups, 500, seed).mean(draw(groups, rng)))
    assert 91.0 <= held(estimates, truth) <= 97.5


@pytest.mark.slow
@pytest.mark.parametrize("n_groups", [200, 1000])
@pytest.mark.parametrize("recalls", [(0.95, 0.85, 0.6, 0.5), (0.99, 0.97, 0.95, 0.9)])
def test_a_mean_over_modes(n_groups, recalls):
    estimates = []
    for seed in range(600):
        rng = np.random.default_rng((seed, n_groups))
        groups = groups_of(n_groups, rng)
        mode = rng.choice(4, p=[0.6, 0.2, 0.12, 0.08], size=n_groups)[groups]
        mode = np.where(
            rng.random(len(groups)) < 0.1, rng.integers(0, 4, len(groups)), mode
        )  # tunes change in variants
        uniform = rng.random(n_groups)[groups]
        right = (rng.random(len(groups)) < chances(np.array(recalls)[mode], uniform)) * 1.0
        marks = np.eye(4)[mode]
        estimates.append(mean_of(GroupBootstrap(groups, 500, seed).ratios(marks * right[:, None], marks)))
    assert 92.0 <= held(estimates, np.mean(recalls)) <= 97.5


@pytest.mark.slow
@pytest.mark.parametrize("n_groups", [60, 200, 1000])
@pytest.mark.parametrize("exponent", [1.0, 1.3, 2.0])
def test_a_calibration_error(n_groups, exponent):
    assert calibration_held(n_groups, exponent, 400) >= 88.0
