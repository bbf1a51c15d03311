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
from keybench.estimators.committee import Committee
from keybench.estimators.ensemble import Stacked
from keybench.estimators.hmm import KeyHMM
from keybench.estimators.home_and_scale import HomeAndScale
from keybench.estimators.kernel import TiedKernel
from keybench.estimators.logistic import TiedLogistic
from keybench.estimators.opening_note import OpeningNote
from keybench.estimators.profile_data import PROFILES
from keybench.estimators.profiles import LEARNT, ProfileMatch
from keybench.estimators.sliding import SlidingWindow
from keybench.estimators.structured import StructuredKeys
from keybench.estimators.trees import CandidateTrees
from keybench.estimators.tuned import Tuned

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
    "Follows the key from beat to beat by its chords and bass moves; names the one that opens, holds and closes.",
    "Rabiner 1989; Temperley 2007 for the staying probability; the emissions: this project", 4,
))  # fmt: skip
register(Entry(
    "hmm-temperley",
    partial(KeyHMM, emission="temperley-2007", bass=False, edges=False, weight=1.0, learn_moves=False,
            decode="viterbi", whole="path"),
    "Follows the key from beat to beat with published numbers for which notes sound and for staying in the key.",
    "Temperley 2007, Music and Probability", 4,
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
# Of popular songs the labels name home notes only: nearly all weight is shared between the modes.
_HOME_NOTES: dict[str, Any] = {"shared": 0.8, "by_third": 0.2, "own": 0.01}
register(Entry(
    "logistic-bass", partial(TiedLogistic, channels="bass", l2=4.0, **_HOME_NOTES),
    "The logistic model on a bass line: steps, bars that open groups of bars, what comes back.",
    "McFadden 1974; the features: this project", 5,
))  # fmt: skip
register(Entry(
    "logistic-chroma", partial(TiedLogistic, channels="recording", l2=9.0, **_HOME_NOTES),
    "The logistic model on a recording: energies, and the chords heard in them.",
    "McFadden 1974; chords: Fujishima 1999; the features: this project", 5,
))  # fmt: skip
register(Entry(
    "logistic-both", partial(TiedLogistic, channels="both", l2=9.0, **_HOME_NOTES),
    "The logistic model on a bass line and its recording together.",
    "McFadden 1974; chords: Fujishima 1999; the features: this project", 5,
))  # fmt: skip
register(Entry(
    "kernel-bass", partial(TiedKernel, channels="bass", width=2.0, l2=0.25),
    "Compares a bass line with each training piece from all tonics and goes by those most like it.",
    "Zhu & Hastie 2005; the features: this project", 6,
))  # fmt: skip
register(Entry(
    "kernel-chroma", partial(TiedKernel, channels="recording"),
    "Compares a recording with each training piece from all tonics and goes by those most like it.",
    "Zhu & Hastie 2005; chords: Fujishima 1999; the features: this project", 6,
))  # fmt: skip
register(Entry(
    "kernel-both", partial(TiedKernel, channels="both"),
    "Compares a bass line and its recording with each training piece and goes by those most like them.",
    "Zhu & Hastie 2005; chords: Fujishima 1999; the features: this project", 6,
))  # fmt: skip
register(Entry(
    "tuned", Tuned,
    "Another method with parameters chosen by how well it answers for training pieces that it did not learn from.",
    "Stone 1974", 5,
))  # fmt: skip
register(Entry(
    "logistic-score",
    partial(Calibrated, base="logistic", method="temperature", params={"channels": "score", "l2": 6.0}),
    "The logistic model on music of several parts: chords, bass, both ends, and the keys along the way.",
    "McFadden 1974; temperature: Guo et al. 2017; the features: this project", 5,
))  # fmt: skip
register(Entry(
    "kernel-score",
    partial(TiedKernel, channels="score", shared=0.5, by_third=0.3, own=0.3, inner_folds=3),
    "Compares music of several parts with each training piece from all tonics and goes by those most like it.",
    "Zhu & Hastie 2005; the features: this project", 6,
))  # fmt: skip
register(Entry(
    "trees", CandidateTrees,
    "Asks small decision trees, added up, about each of twelve candidates for home, then about the mode.",
    "Friedman 2001; Ke et al. 2017; the features: this project", 6,
))  # fmt: skip
register(Entry(
    "ensemble", Stacked,
    "Weighs what the logistic model, trees, the HMM and the opening and closing notes say of home note and mode.",
    "Wolpert 1992; Breiman 1996", 7,
))  # fmt: skip
register(Entry(
    "ensemble-balanced", partial(Stacked, decision="mode-balanced"),
    "The ensemble with part of the mode shares taken out, to miss fewer Dorian and Mixolydian pieces.",
    "Wolpert 1992; Breiman 1996; Saerens et al. 2002 for the prior correction", 7,
))  # fmt: skip
register(Entry(
    "structured", StructuredKeys,
    "Follows the key beat by beat by what sounds around each beat, with the moves between keys learnt together.",
    "Lafferty, McCallum & Pereira 2001; Wolpert 1992; the features: this project", 6,
))  # fmt: skip
register(Entry(
    "committee", Committee,
    "Averages what the HMM and the structured model say of each beat, and of the whole.",
    "Genest & Zidek 1986 for the mean of logarithms; the members: this project", 7,
))  # fmt: skip
