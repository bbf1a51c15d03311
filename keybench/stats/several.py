"""Two methods over several corpora: effects with intervals first, then tests on the corpora as the sample.

The corpora weigh alike, however many pieces they have: the question is whether a method is better on music of other
kinds too, and the kinds are few.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from keybench.stats.intervals import GroupBootstrap
from keybench.stats.paired import Difference, holm, paired_difference

FloatArray = npt.NDArray[np.float64]

MIN_CORPORA = 6
"""Fewer corpora get no test and no rank plot: of five that all favour one method, the exact signed-rank test still says
p = .0625."""
TOO_FEW = (
    f"too few corpora for ranks: with fewer than {MIN_CORPORA}, no outcome, not even that all corpora favour the same "
    "method, is beyond chance at the 5 % level; the differences on each corpus stand by themselves"
)
"""What to say in place of ranks and tests."""
ROPE = 0.01
"""Differences of up to one piece in a hundred count as equivalent in practice (Benavoli et al. 2017)."""
_DRAWS = 10_000  # of the posterior: probabilities are good to half a percent


@dataclass(frozen=True)
class Pair:
    """Two methods compared over several corpora.

    Parameters
    ----------
    a, b : int
        Columns of the methods.
    median : float
        Of the differences a less b.
    for_a, for_b : int
        Number of corpora where a, or b, scores higher.
    p, p_holm : float
        Exact signed-rank test, two-sided, by itself and adjusted for the number of pairs (Holm 1979).
    a_better, equivalent, b_better : float
        Probabilities that on another corpus a is better, that the two are equivalent in practice, or that b is better:
        Bayesian signed-rank test (Benavoli, Corani, Demsar and Zaffalon 2017).
    """

    a: int
    b: int
    median: float
    for_a: int
    for_b: int
    p: float
    p_holm: float
    a_better: float
    equivalent: float
    b_better: float


def effects(
    a: FloatArray,
    b: FloatArray,
    corpus: npt.NDArray[np.str_],
    groups: npt.NDArray[np.int64],
    resamples: int = 1000,
    seed: int = 0,
) -> dict[str, Difference]:
    """Return the difference of two methods on each corpus with its interval, in the order in which corpora occur.

    Parameters
    ----------
    a, b : arrays, shape (n,)
        Right answers of either method (0 or 1, or shares of the time), piece by piece.
    corpus : str array, shape (n,)
    groups : int array, shape (n,)
        See `keybench.stats.intervals.GroupBootstrap`.
    """
    out = {}
    for name in dict.fromkeys(corpus):
        here = corpus == name
        out[str(name)] = paired_difference(a[here], b[here], GroupBootstrap(groups[here], resamples, seed))
    return out


def compare_pairs(
    scores: FloatArray, pairs: Sequence[tuple[int, int]] | None = None, rope: float = ROPE, seed: int = 0
) -> list[Pair]:
    """Compare methods pair by pair over several corpora.

    Parameters
    ----------
    scores : array, shape (n_corpora, n_methods)
        Higher is better.
    pairs : sequence of pairs of int, optional
        Columns to compare; all pairs by default. Choose them before seeing the scores: p-values are adjusted for those
        that are named here.
    rope : float
        Half the width of the region of practical equivalence, in the unit of the scores.
    seed : int
        Of the draws from the posterior.

    Returns
    -------
    list of Pair
        Empty with fewer corpora than `MIN_CORPORA`; `TOO_FEW` says why.
    """
    table = np.asarray(scores, dtype=float)
    if not np.isfinite(table).all():
        raise ValueError("a score is missing or infinite; accepted: a score of every method on every corpus")
    n, k = table.shape
    if n < MIN_CORPORA:
        return []
    chosen = list(pairs) if pairs is not None else [(i, j) for i in range(k) for j in range(i + 1, k)]
    p = [signed_rank_p(table[:, a] - table[:, b]) for a, b in chosen]
    out = []
    for (a, b), alone, adjusted in zip(chosen, p, holm(p), strict=True):
        d = table[:, a] - table[:, b]
        posterior = bayesian_signed_rank(d, rope, seed)
        out.append(
            Pair(a, b, float(np.median(d)), int((d > 0).sum()), int((d < 0).sum()), alone, float(adjusted), *posterior)
        )
    return out


def signed_rank_p(differences: FloatArray) -> float:
    """Return the exact two-sided p-value of the signed-rank test (Wilcoxon 1945), also with ties.

    Zeros are ranked with the others and then left out (Pratt 1959). The null distribution, in which every sign is
    equally likely, is added up rank by rank; scipy offers it in closed form without ties and zeros alone.
    """
    doubled = np.round(2.0 * stats.rankdata(np.abs(differences))).astype(np.int64)  # ties have half ranks
    doubled, positive = doubled[differences != 0], (differences > 0)[differences != 0]
    chance = np.ones(1)
    for rank in doubled:
        chance = (np.append(chance, np.zeros(rank)) + np.append(np.zeros(rank), chance)) / 2.0
    total = int(doubled[positive].sum())
    return float(min(1.0, 2.0 * min(chance[: total + 1].sum(), chance[total:].sum())))


def bayesian_signed_rank(differences: FloatArray, rope: float = ROPE, seed: int = 0) -> tuple[float, float, float]:
    """Return the probabilities that the first method is better, equivalent in practice, or worse, on another corpus.

    Parameters
    ----------
    differences : array, shape (n_corpora,)
        First method less second.
    rope : float
        Half the width of the region of practical equivalence; above 0.
    seed : int
    """
    from baycomp import SignedRankTest  # here, since it brings a plotting library

    if not rope > 0.0:
        raise ValueError(f"rope is {rope}; accepted: above 0, since without it nothing is ever equivalent")
    # Its left side is where its first argument is higher.
    left, within, right = SignedRankTest.probs(
        np.asarray(differences, dtype=float), np.zeros(len(differences)), rope, nsamples=_DRAWS, random_state=seed
    )
    return float(left), float(within), float(right)
