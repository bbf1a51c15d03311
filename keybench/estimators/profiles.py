"""Key profiles: correlate how long each pitch class sounds with a published profile, for every key."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from keybench.errors import EstimatorError
from keybench.estimators.base import FloatArray, ScoringEstimator, Tags
from keybench.estimators.features import duration_weights
from keybench.estimators.profile_data import PROFILES, ProfilePair
from keybench.key import DORIAN, LOCRIAN, LYDIAN, MAJOR, MINOR, MIXOLYDIAN, N_KEYS, PHRYGIAN
from keybench.notes import NoteTable


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
    profiles = np.empty((7, 12))
    profiles[MAJOR], profiles[MINOR] = pair.major, pair.minor
    natural = np.array(pair.minor, dtype=float)
    natural[[10, 11]] = max(natural[10], natural[11]), min(natural[10], natural[11])
    for mode, parent, low, high in (
        (LYDIAN, pair.major, 5, 6),
        (MIXOLYDIAN, pair.major, 10, 11),
        (DORIAN, natural, 8, 9),
        (PHRYGIAN, natural, 1, 2),
    ):
        profiles[mode] = parent
        profiles[mode][[low, high]] = profiles[mode][[high, low]]
    profiles[LOCRIAN] = profiles[PHRYGIAN]
    profiles[LOCRIAN][[6, 7]] = profiles[LOCRIAN][[7, 6]]
    return profiles


class ProfileCorrelation(ScoringEstimator):
    """Pearson correlation of pitch-class durations with a key profile (Krumhansl & Schmuckler, in Krumhansl 1990).

    Parameters
    ----------
    profile : str
        A name in `PROFILES`.
    modes : bool
        Answer with all 84 keys, by `mode_profiles`, instead of the 24 major and minor ones.
    """

    def __init__(self, profile: str = "krumhansl-kessler", modes: bool = False):
        self.profile = profile
        self.modes = modes

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """Names 84 keys or 24."""
        return Tags(takes="either", names="modes" if self.modes else "major-minor")

    def _learn(self, X: NoteTable, truth: npt.NDArray[np.bool_]) -> None:
        if self.profile not in PROFILES:
            raise EstimatorError(f"unknown profile {self.profile!r}; accepted: {', '.join(PROFILES)}")
        profiles = mode_profiles(PROFILES[self.profile])
        profiles = profiles - profiles.mean(axis=1, keepdims=True)
        profiles /= np.sqrt((profiles**2).sum(axis=1, keepdims=True))
        used = range(7) if self.modes else (MAJOR, MINOR)
        self.keys_ = np.concatenate([12 * m + np.arange(12) for m in used])
        self.templates_ = np.stack([np.roll(profiles[k // 12], k % 12) for k in self.keys_], axis=1)

    def _correlations(self, X: NoteTable) -> FloatArray:
        weights = X.feature(duration_weights)
        centred = weights - weights.mean(axis=1, keepdims=True)
        length = np.sqrt((centred * centred).sum(axis=1, keepdims=True))
        flat = length <= 1e-12 * np.abs(weights).max(axis=1, keepdims=True, initial=1e-300)
        r: FloatArray = (centred / np.where(flat, 1.0, length)) @ self.templates_
        return np.where(flat, 0.0, r)

    def _scores(self, X: NoteTable) -> FloatArray:
        scores = np.full((len(X), N_KEYS), -np.inf)
        scores[:, self.keys_] = self._correlations(X)
        return scores

    def _reasons(self, X: NoteTable) -> list[str]:
        r = self._correlations(X)[0]
        return [f"Its note lengths correlate {r.max():.2f} with the {self.profile} profile of the answer."]
