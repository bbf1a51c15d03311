"""The fit of pieces by methods against girth, numerical integration and simulation."""

import time

import numpy as np
import pytest
from girth import onepl_mml
from scipy import optimize, stats
from scipy.special import expit

from keybench.stats.difficulty import failed_by_all, fit_difficulty


def simulate(n_pieces, ability, spread, seed=0):
    rng = np.random.default_rng(seed)
    difficulty = rng.normal(0.0, spread, n_pieces)
    return (rng.random((n_pieces, len(ability))) < expit(ability - difficulty[:, None])) * 1.0, difficulty


def test_same_fit_as_girth():
    # girth (Sanchez, item response theory in Python): logit = discrimination * (theta - item difficulty), with theta
    # standard normal over persons. Our methods are its items and our pieces its persons, of whom the easy are able.
    right, _ = simulate(2000, np.array([-0.5, 0.4, 1.0, 1.6, 2.2]), 1.3)
    theirs = onepl_mml(right.T.astype(int))
    ours = fit_difficulty(right)
    assert ours.spread == pytest.approx(float(np.ravel(theirs["Discrimination"])[0]), abs=0.02)
    assert ours.ability == pytest.approx(-ours.spread * theirs["Difficulty"], abs=0.02)


def test_same_fit_as_by_numerical_integration():
    right = np.array(
        [[1, 1, 1], [1, 1, 0], [1, 0, 0], [0, 1, 0], [0, 0, 0], [1, 1, np.nan], [0, np.nan, 1]], dtype=float
    )
    rows, counts = right, [5, 4, 3, 2, 4, 2, 2]
    right = np.repeat(rows, counts, axis=0)
    ours = fit_difficulty(right)

    grid = np.linspace(-9.0, 9.0, 2001)  # of standard deviations; sums on a fine grid are exact for a smooth bell

    def likelihood(row, ability, spread, power=0):
        p = expit(ability - spread * grid[:, None])
        each = np.where(np.isnan(row), 1.0, np.where(row == 1, p, 1.0 - p)).prod(axis=1)
        return ((spread * grid) ** power * each * stats.norm.pdf(grid)).sum() * (grid[1] - grid[0])

    def loss(x):
        prior = 0.5 * (x[:3] ** 2).sum() / 10.0**2
        return prior - sum(
            n * np.log(likelihood(row, x[:3], np.exp(x[3]))) for row, n in zip(rows, counts, strict=True)
        )

    best = optimize.minimize(loss, np.zeros(4), method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-7}).x
    assert ours.ability == pytest.approx(best[:3], abs=0.01)
    assert ours.spread == pytest.approx(np.exp(best[3]), abs=0.01)
    for i in (0, 5, 15, len(right) - 1):
        mean, square = (likelihood(right[i], ours.ability, ours.spread, n) for n in (1, 2))
        whole = likelihood(right[i], ours.ability, ours.spread)
        assert ours.difficulty[i] == pytest.approx(mean / whole, abs=1e-4)
        assert ours.difficulty_sd[i] == pytest.approx(np.sqrt(square / whole - (mean / whole) ** 2), abs=1e-4)


def test_known_values_come_back():
    ability = np.linspace(-1.0, 3.0, 15)
    right, difficulty = simulate(3000, ability, 1.8, seed=4)
    right[np.random.default_rng(5).random(right.shape) < 0.2] = np.nan
    ours = fit_difficulty(right)
    assert ours.ability == pytest.approx(ability, abs=0.2)
    assert ours.spread == pytest.approx(1.8, abs=0.1)
    assert np.corrcoef(ours.difficulty, difficulty)[0, 1] > 0.88
    # The stated spread of what is known of a piece is right: standardised errors have unit spread.
    assert ((ours.difficulty - difficulty) / ours.difficulty_sd).std() == pytest.approx(1.0, abs=0.05)
    assert ours.chance()[~np.isnan(right)].mean() == pytest.approx(np.nanmean(right), abs=0.02)


def test_pieces_and_methods_without_variety_stay_finite():
    right = np.array([[1.0, 1, 0], [1, 1, 0], [1, 0, 0], [1, 1, 0], [1, np.nan, 0], [np.nan] * 3])
    ours = fit_difficulty(right)
    assert np.isfinite(ours.ability).all()
    assert np.isfinite(ours.difficulty).all()
    assert ours.ability[0] > ours.ability[1] > ours.ability[2]
    assert ours.difficulty[5] == pytest.approx(0.0, abs=1e-6)
    assert ours.difficulty[2] > ours.difficulty[0]
    assert np.isfinite(fit_difficulty(np.ones((4, 2))).ability).all()


def test_which_pieces_every_method_fails():
    right = np.array([[0.0, 0, 0], [0, 1, 0], [0, np.nan, 0], [np.nan] * 3, [1, 1, 1]])
    assert failed_by_all(right).tolist() == [True, False, True, False, False]


@pytest.mark.parametrize("right", [np.array([[0.5, 1.0]]), np.ones(3), np.full((2, 2), np.nan)])
def test_what_is_no_answer_is_refused(right):
    with pytest.raises(ValueError, match="accepted"):
        fit_difficulty(right)


def test_thousands_of_pieces_take_no_time():
    right, _ = simulate(5000, np.linspace(-1, 3, 20), 1.5)
    start = time.process_time()
    fit_difficulty(right)
    assert time.process_time() - start < 5.0
