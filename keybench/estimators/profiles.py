"""Key profiles: compare how much of each pitch class is heard with a profile, published or learnt, for every key."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.errors import EstimatorError
from keybench.estimators.base import FloatArray, ScoringEstimator, Tags, fit_sharpness
from keybench.estimators.features import duration_weights, note_counts, pitch_classes
from keybench.estimators.profile_data import PROFILES, ProfilePair
from keybench.key import DORIAN, LOCRIAN, LYDIAN, MAJOR, MINOR, MIXOLYDIAN, N_KEYS, N_MODES, PHRYGIAN
from keybench.notes import NoteTable

LEARNT = "learnt"
"""Value of ``profile`` for profiles made from the training pieces."""

MATCHES = ("correlation", "cosine", "euclidean", "log-likelihood")

METRE_FACTORS = np.array([1.0, 1.25, 1.5])
"""What the length of a note counts by its accent: an ordinary note, another strong beat, the first of a bar.

Chosen on half of the folk tunes, where 1.5 and 2, or 2 and 3, did worse, and none did better than the length alone.
"""

SMALLEST_SHARE = 0.001
"""No pitch class is less likely than this, whatever the profile: below all published shares except Sapp's zeros."""

PRIOR_PIECES = 10.0
"""How many training pieces the shape that a learnt profile is drawn towards is worth."""

_PRIOR = "albrecht-shanahan"

_PIECES_FOR_BONUS = 600  # it rests on one number, the sharpness: more pieces would not change it


def metre_weights(table: NoteTable) -> FloatArray:
    """Total duration of each pitch class, notes on strong beats counted more (`METRE_FACTORS`), shape (n, 12).

    The durations where no metre is known. Note counts, weighted alike, for a piece whose durations are all zero.
    """
    n, factor = len(table), METRE_FACTORS[table.accent]
    cell = 12 * table.piece + pitch_classes(table)
    weights = np.bincount(cell, table.duration * factor, 12 * n).reshape(n, 12)
    silent = weights.sum(axis=1) <= 0
    if silent.any():
        weights[silent] = np.bincount(cell, factor, 12 * n).reshape(n, 12)[silent]
    return weights.astype(float)


WEIGHTINGS: dict[str, tuple[Callable[[Any], FloatArray], str]] = {
    "duration": (duration_weights, "note lengths"),
    "count": (note_counts, "note counts"),
    "metre": (metre_weights, "note lengths, strong beats counted more,"),
}
"""How much of a pitch class is heard: the function, and what it measures in words."""


def extend_to_modes(major: npt.ArrayLike, minor: npt.ArrayLike) -> FloatArray:
    """Extend a major and a minor profile to seven modes; see `mode_profiles` for the rule, shape (7, 12)."""
    profiles = np.empty((N_MODES, 12))
    profiles[MAJOR], profiles[MINOR] = major, minor
    natural = np.array(minor, dtype=float)
    natural[[10, 11]] = max(natural[10], natural[11]), min(natural[10], natural[11])
    for mode, parent, low, high in (
        (LYDIAN, major, 5, 6),
        (MIXOLYDIAN, major, 10, 11),
        (DORIAN, natural, 8, 9),
        (PHRYGIAN, natural, 1, 2),
    ):
        profiles[mode] = parent
        profiles[mode][[low, high]] = profiles[mode][[high, low]]
    profiles[LOCRIAN] = profiles[PHRYGIAN]
    profiles[LOCRIAN][[6, 7]] = profiles[LOCRIAN][[7, 6]]
    return profiles


def mode_profiles(pair: ProfilePair) -> FloatArray:
    """Extend a published major and minor profile to seven modes.

    Our own extension: a mode takes the profile with its third and exchanges the weights of each note it alters with the
    note it replaces. Lydian is major with fourth and raised fourth exchanged, Mixolydian major with seventh and lowered
    seventh; Dorian is minor with sixth and raised sixth exchanged, Phrygian minor with second and lowered second,
    Locrian Phrygian with fifth and lowered fifth. In the three modes drawn from minor the lowered seventh gets the
    larger of the two sevenths' weights: published minor profiles mix in the raised seventh of cadences.

    Returns
    -------
    array, shape (7, 12)
        Weights by semitones above the tonic, in the order of `keybench.key.MODES`.
    """
    return extend_to_modes(pair.major, pair.minor)


def learn_profiles(weights: FloatArray, truth: npt.NDArray[np.bool_], prior_pieces: float = PRIOR_PIECES) -> FloatArray:
    """Return the mean share of each pitch class above the tonic in each mode, shape (7, 12); rows sum to 1.

    A piece that may be in several keys counts in equal parts for each. Major and minor are drawn towards the published
    profile of Albrecht & Shanahan (2013), and the other modes towards what `extend_to_modes` makes of the learnt major
    and minor: a mode of few pieces keeps a sensible shape, and one without any gets that shape.

    Parameters
    ----------
    weights : array, shape (n, 12)
        How much of each pitch class is heard; a piece without any is left out.
    truth : bool array, shape (n, 84)
    prior_pieces : float
        How many pieces the shape drawn towards is worth.
    """
    total = weights.sum(axis=1)
    heard = total > 0
    shares = weights[heard] / total[heard, None]
    parts = truth[heard] / truth[heard].sum(axis=1, keepdims=True)
    by_key = (parts.T @ shares).reshape(N_MODES, 12, 12)  # mode, tonic, pitch class
    tonic, degree = np.ogrid[:12, :12]
    sums = by_key[:, tonic, (tonic + degree) % 12].sum(axis=1)
    pieces = parts.sum(axis=0).reshape(N_MODES, 12).sum(axis=1)

    def drawn(shape: FloatArray) -> FloatArray:
        shape = shape / shape.sum(axis=1, keepdims=True)
        result: FloatArray = (sums + prior_pieces * shape) / (pieces + prior_pieces)[:, None]
        return result

    both = drawn(mode_profiles(PROFILES[_PRIOR]))
    learnt = drawn(extend_to_modes(both[MAJOR], both[MINOR]))
    learnt[[MAJOR, MINOR]] = both[[MAJOR, MINOR]]
    return learnt


class ProfileMatch(ScoringEstimator):
    """Compare how much of each pitch class is heard with the profile of every key.

    Parameters
    ----------
    profile : str
        A name in `PROFILES`, or ``learnt`` for profiles made from the training pieces (see `learn_profiles`).
    modes : bool
        Answer with all 84 keys instead of the 24 major and minor ones; published pairs are extended by `mode_profiles`.
    match : {"correlation", "cosine", "euclidean", "log-likelihood"}
        Pearson correlation (Krumhansl & Schmuckler, in Krumhansl 1990); cosine of the angle; Euclidean distance of the
        shares (Albrecht & Shanahan 2013); mean log-probability of what is heard if pitch classes are drawn with the
        profile's shares, none smaller than `SMALLEST_SHARE` (a multinomial model, as in Temperley 2007).
    weighting : {"duration", "count", "metre"}
        Weigh a note by its length, count it, or weigh it by its length and more on strong beats (see `metre_weights`).
        Recordings are weighed by their energy, which is what ``duration`` means for them.
    mode_shares : bool
        Let the modes' shares of the training pieces weigh in as prior probabilities: a common mode wins the closer
        contests. Better probabilities and more right answers where the music tested is like the music trained on, at
        the cost of the rare modes.

    Attributes
    ----------
    profiles_ : array, shape (7, 12)
    keys_ : int array, shape (n_named,)
        Key indices that it can answer with.
    templates_ : array, shape (12, n_named)
        Profiles of those keys, prepared for the match.
    mode_bonus_ : array, shape (n_named,)
        What the modes' shares add to the match; only with `mode_shares`.
    """

    def __init__(
        self,
        profile: str = "krumhansl-kessler",
        modes: bool = False,
        match: str = "correlation",
        weighting: str = "duration",
        mode_shares: bool = False,
    ):
        self.profile = profile
        self.modes = modes
        self.match = match
        self.weighting = weighting
        self.mode_shares = mode_shares

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """Names 84 keys or 24; recordings have no notes to count and no metre."""
        return Tags(
            takes="either" if self.weighting == "duration" else "notes",
            made_from=PROFILES[_PRIOR if self.profile == LEARNT else self.profile].overlaps
            if self.profile in (*PROFILES, LEARNT)
            else (),
            names="modes" if self.modes else "major-minor",
            learns=self.profile == LEARNT,
        )

    def check_parameters(self) -> None:
        """Complain of an unknown profile, match or weighting."""
        for what, value, accepted in (
            ("profile", self.profile, (*PROFILES, LEARNT)),
            ("match", self.match, MATCHES),
            ("weighting", self.weighting, tuple(WEIGHTINGS)),
        ):
            if value not in accepted:
                raise EstimatorError(f"unknown {what} {value!r}; accepted: {', '.join(accepted)}")

    def _weights(self, X: NoteTable) -> FloatArray:
        return X.feature(WEIGHTINGS[self.weighting][0])

    def _learn(self, X: NoteTable, truth: npt.NDArray[np.bool_]) -> None:
        self.check_parameters()
        learnt = self.profile == LEARNT
        self.profiles_ = learn_profiles(self._weights(X), truth) if learnt else mode_profiles(PROFILES[self.profile])
        prepared = _prepare(self.profiles_, self.match)
        used = range(N_MODES) if self.modes else (MAJOR, MINOR)
        self.keys_ = np.concatenate([12 * m + np.arange(12) for m in used])
        self.templates_ = np.stack([np.roll(prepared[k // 12], k % 12) for k in self.keys_], axis=1)
        if self.mode_shares:
            some = slice(None, None, max(1, len(X) // _PIECES_FOR_BONUS))
            share = _log_mode_shares(truth)[self.keys_ // 12]
            self.mode_bonus_ = _prior_bonus(self._matches(X[some]), truth[some][:, self.keys_], share)

    def _matches(self, X: NoteTable) -> FloatArray:
        """Return how well each named key's profile matches, shape (n, n_named); 0 where nothing speaks for any."""
        weights = self._weights(X)
        weights = weights / np.maximum(weights.max(axis=1, keepdims=True, initial=0.0), 1e-300)  # squares can overflow
        centred = weights - weights.mean(axis=1, keepdims=True) if self.match == "correlation" else weights
        if self.match in ("correlation", "cosine"):
            length = np.sqrt((centred * centred).sum(axis=1, keepdims=True))
        else:
            length = centred.sum(axis=1, keepdims=True)
        flat = length <= 1e-12
        unit = centred / np.where(flat, 1.0, length)
        r: FloatArray = unit @ self.templates_
        if self.match == "euclidean":
            square = (unit * unit).sum(axis=1, keepdims=True) - 2.0 * r + (self.templates_**2).sum(axis=0)
            r = -np.sqrt(np.maximum(square, 0.0))
        return np.where(flat, 0.0, r)

    def _scores(self, X: NoteTable) -> FloatArray:
        scores = np.full((len(X), N_KEYS), -np.inf)
        matches = self._matches(X)
        scores[:, self.keys_] = matches + self.mode_bonus_ if self.mode_shares else matches
        return scores

    def _reasons(self, X: NoteTable) -> list[str]:
        named = int(np.flatnonzero(self.keys_ == self.predict(X)[0])[0])
        best, heard = self._matches(X)[0, named], WEIGHTINGS[self.weighting][1]
        if self.match == "correlation":
            return [f"Its {heard} correlate {best:.2f} with the {self.profile} profile of the answer."]
        if self.match == "cosine":
            return [f"Its {heard} and the {self.profile} profile of the answer have a cosine of {best:.2f}."]
        if self.match == "euclidean":
            return [f"Its {heard} lie {-best:.2f} from the {self.profile} profile of the answer, as shares."]
        return [
            f"By the {self.profile} profile of the answer, its {heard} have a mean probability of {np.exp(best):.2f}."
        ]


def _prepare(profiles: FloatArray, match: str) -> FloatArray:
    """Bring profiles into the form whose product with the weights is the match, or leads to it, shape (7, 12)."""
    if match == "correlation":
        profiles = profiles - profiles.mean(axis=1, keepdims=True)
    if match in ("correlation", "cosine"):
        unit: FloatArray = profiles / np.sqrt((profiles**2).sum(axis=1, keepdims=True))
        return unit
    shares: FloatArray = profiles / profiles.sum(axis=1, keepdims=True)
    return np.log(np.maximum(shares, SMALLEST_SHARE)) if match == "log-likelihood" else shares


def _log_mode_shares(truth: npt.NDArray[np.bool_]) -> FloatArray:
    """Logarithm of each mode's share of the pieces, sets of acceptable keys in equal parts, shape (7,)."""
    pieces = (truth / truth.sum(axis=1, keepdims=True)).sum(axis=0).reshape(N_MODES, 12).sum(axis=1) + 0.5
    result: FloatArray = np.log(pieces / pieces.sum())
    return result


def _prior_bonus(matches: FloatArray, truth: npt.NDArray[np.bool_], log_prior: FloatArray) -> FloatArray:
    """Return what to add to matches so that, sharpened, the log-prior is added: ``b * (matches + bonus)``, b fitted.

    The sharpness b and the bonus ``log_prior / b`` depend on each other; a few rounds bring them to agree.
    """
    b = fit_sharpness(matches, truth)
    for _ in range(8):
        b = fit_sharpness(matches + log_prior / b, truth)
    bonus: FloatArray = log_prior / b
    return bonus
