"""Estimators by name. `make` builds one, `names` lists them, `register` adds one."""

from __future__ import annotations

from functools import partial
from importlib.metadata import entry_points
from typing import Any

from keybench.errors import EstimatorError
from keybench.estimators.abstain import Abstaining
from keybench.estimators.anytime import Anytime
from keybench.estimators.base import Entry, KeyEstimator, Tags
from keybench.estimators.baselines import BestFittingScale, MostCommonKey
from keybench.estimators.calibrated import Calibrated
from keybench.estimators.hmm import KeyHMM
from keybench.estimators.home_and_scale import HomeAndScale
from keybench.estimators.logistic import TiedLogistic
from keybench.estimators.opening_note import OpeningNote
from keybench.estimators.profile_data import PROFILES
from keybench.estimators.profiles import LEARNT, ProfileMatch
from keybench.estimators.sliding import SlidingWindow

__all__ = ["Entry", "KeyEstimator", "Tags", "entry", "make", "names", "register"]

ENTRY_POINTS = "keybench.estimators"
_REGISTRY: dict[str, Entry] = {}
_plugins_loaded = False


def register(new: Entry) -> Entry:
    """Add a method to the registry.

    Raises
    ------
    EstimatorError
        If the name is taken.
    """
    if new.name in _REGISTRY:
        raise EstimatorError(f"an estimator named {new.name!r} is already registered; choose another name")
    _REGISTRY[new.name] = new
    return new


def _load_plugins() -> None:
    global _plugins_loaded
    if _plugins_loaded:
        return
    _plugins_loaded = True
    for point in entry_points(group=ENTRY_POINTS):
        try:
            loaded = point.load()
        except Exception as error:
            raise EstimatorError(f"plug-in {point.name!r} ({point.value}) cannot be loaded: {error}") from None
        if not isinstance(loaded, Entry):
            raise EstimatorError(f"plug-in {point.name!r} ({point.value}) is no keybench.estimators.Entry")
        register(loaded)


def names() -> list[str]:
    """Return the names of all registered methods, in the order of registration."""
    _load_plugins()
    return list(_REGISTRY)


def entry(name: str) -> Entry:
    """Return what the registry knows of a method.

    Raises
    ------
    EstimatorError
        If there is none of that name.
    """
    _load_plugins()
    if name not in _REGISTRY:
        raise EstimatorError(f"unknown estimator {name!r}; accepted: {', '.join(_REGISTRY)}")
    return _REGISTRY[name]


def make(name: str, **parameters: Any) -> KeyEstimator:
    """Build a new, unfitted estimator.

    Raises
    ------
    EstimatorError
        If the name is unknown or a parameter is not one of the method's.
    """
    found = entry(name)
    try:
        made = found.make(**parameters)
    except Exception as error:  # a plug-in's constructor may throw anything
        raise EstimatorError(f"estimator {name!r}: {error}") from None
    if not isinstance(made, KeyEstimator):
        raise EstimatorError(f"estimator {name!r} is a {type(made).__name__}; accepted: a KeyEstimator")
    return made


register(Entry(
    "most-common-key", MostCommonKey,
    "Always says the key that most training pieces are in.", "baseline", 1,
))  # fmt: skip
register(Entry(
    "best-fitting-scale", BestFittingScale,
    "Finds the scale that holds most notes and calls it by its major name.", "baseline", 2,
))  # fmt: skip
register(Entry(
    "opening-note", partial(OpeningNote, edge="first"),
    "Takes the first note for home, then the best-fitting scale on it.", "common practice, no source", 2,
))  # fmt: skip
register(Entry(
    "last-note", partial(OpeningNote, edge="last"),
    "Takes the last note for home, then the best-fitting scale on it.", "common practice, no source", 2,
))  # fmt: skip
for _pair in PROFILES.values():
    register(Entry(
        _pair.name, partial(ProfileMatch, profile=_pair.name),
        f"Correlates note lengths with a major and a minor profile made from {_pair.made_from}.", _pair.source, 3,
    ))  # fmt: skip
for _pair in PROFILES.values():
    register(Entry(
        f"{_pair.name}-modes", partial(ProfileMatch, profile=_pair.name, modes=True),
        f"The {_pair.name} profile extended to all seven modes by exchanging altered notes.",
        f"{_pair.source}; extension: this project", 3,
    ))  # fmt: skip
register(Entry(
    "hmm", KeyHMM,
    "Follows the key from beat to beat among 84 and names the one that holds longest.",
    "Rabiner 1989; Temperley 2007 for the staying probability", 4,
))  # fmt: skip
register(Entry(
    "logistic", TiedLogistic,
    "Weighs what is heard where (ends, strong beats, steps), learnt once for all tonics.",
    "McFadden 1974; the features: this project", 5,
))  # fmt: skip
register(Entry(
    "logistic-balanced", partial(TiedLogistic, decision="mode-balanced"),
    "The logistic model with part of the mode shares taken out, to miss fewer Dorian and Mixolydian pieces.",
    "McFadden 1974; Saerens et al. 2002 for the prior correction; the features: this project", 5,
))  # fmt: skip
register(Entry(
    "sliding-window", SlidingWindow,
    "Asks a method for whole pieces about a window that slides over the piece; a change of key costs a penalty.",
    "Viterbi 1967 for the path; windows: common practice, no source", 4,
))  # fmt: skip
register(Entry(
    "learnt-profile", partial(ProfileMatch, profile=LEARNT, modes=True, match="euclidean", mode_shares=True),
    "Compares note lengths with profiles of all seven modes made from the training pieces.",
    "Euclidean distance: Albrecht & Shanahan 2013; profiles of seven modes: this project", 3,
))  # fmt: skip
register(Entry(
    "home-and-scale", HomeAndScale,
    "Lets six rules vote for the home note, fits scales on it and asks the pentatonic scales.",
    "common practice, no source", 3,
))  # fmt: skip
register(Entry(
    "home-and-scale-learnt", partial(HomeAndScale, weights="learnt"),
    "The same rules, each with as many votes as the training pieces show it to be worth.",
    "common practice, no source; weights: conditional logit, McFadden 1974", 4,
))  # fmt: skip
register(Entry(
    "calibrated", partial(Calibrated, base="albrecht-shanahan-modes"),
    "Another method whose probabilities are held against pieces that it did not learn from.",
    "Guo et al. 2017; Zadrozny & Elkan 2002; Platt 1999; the mode named: this project", 4,
))  # fmt: skip
register(Entry(
    "abstaining", Abstaining,
    "Another method that says it is not sure rather than be wrong more often than stated.",
    "Geifman & El-Yaniv 2017", 5,
))  # fmt: skip
register(Entry(
    "anytime-logistic", Anytime,
    "The logistic model learnt anew for openings of one note to sixty-four, to answer while the music goes on.",
    "McFadden 1974; openings: this project", 5,
))  # fmt: skip
