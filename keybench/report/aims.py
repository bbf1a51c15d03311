"""How near the methods of an experiment come to the figures that somebody set out to reach."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from keybench.errors import RunError
from keybench.stats.intervals import Estimate

Measured = dict[str, dict[str, Estimate]]
"""An estimate by method and measure."""

ERRORS = ("calibration_error", "log_loss", "ms_per_piece", "failures")
"""Measures of which less is better: the aim is the most that will do."""


@dataclass(frozen=True)
class AimMet:
    """One aim, and the method that comes nearest.

    Parameters
    ----------
    text : str
        The aim in words.
    method : str
    estimate : Estimate
        That method's figure.
    met : bool
    short_by : float
        How far the figure is from the aim; 0 where it is met.
    others : list of (str, Estimate)
        Where several methods must meet it, those that do not.
    idea : str
    """

    text: str
    method: str
    estimate: Estimate
    met: bool
    short_by: float
    others: list[tuple[str, Estimate]]
    idea: str


def _gap(measure: str, value: float, wanted: float) -> float:
    """How far a figure is from what is wanted; negative where it is better; infinite where nothing was measured."""
    gap = value - wanted if measure in ERRORS else wanted - value
    return gap if gap == gap else float("inf")


def judge_aim(aim: dict[str, Any], measured: Measured) -> AimMet:
    """Hold the methods' figures against an aim.

    Parameters
    ----------
    aim : dict
        An `keybench.runs.spec.Aim` as ``run.json`` has it.
    measured : dict
        Estimates by method and measure, of the pieces that the aim is about.

    Raises
    ------
    RunError
        If the aim names a measure that was not taken.
    """
    measure, wanted, given = aim["measure"], aim["value"], aim["given"]
    for name in (measure, *given):
        if not any(name in figures for figures in measured.values()):
            known = ", ".join(sorted({m for figures in measured.values() for m in figures}))
            raise RunError(f"the experiment's aims ask for {name!r}, which is no measure; accepted: {known}")

    def missed(name: str) -> tuple[float, float]:
        """Return by how much the worst condition is missed (0 if none is), then the gap of the measure itself."""
        figures = measured[name]
        gaps = [_gap(m, figures[m].value, least) for m, least in given.items()]
        return max([0.0, *gaps]), _gap(measure, figures[measure].value, wanted)

    candidates = aim["of"] or list(measured)
    order = sorted(candidates, key=missed)
    shown = order[-1] if aim["of"] else order[0]  # where all must meet it, the furthest from it
    of_given, own = missed(shown)
    fails = [name for name in order if max(missed(name)[0], missed(name)[1]) > 0]
    return AimMet(
        text=_in_words(aim),
        method=shown,
        estimate=measured[shown][measure],
        met=not fails if aim["of"] else of_given <= 0 and own <= 0,
        short_by=max(own, of_given, 0.0),
        others=[(name, measured[name][measure]) for name in fails if name != shown] if aim["of"] else [],
        idea=aim["idea"],
    )


NAMES = {
    "exact": "right", "tonic": "home note right", "mean_mode_recall": "mean over modes",
    "calibration_error": "calibration error", "time_right": "share of all labelled time right",
    "log_loss": "log-loss", "ms_per_piece": "milliseconds a piece",
}  # fmt: skip
"""Names of measures in sentences; others are written as in ``scores.json``."""


def _in_words(aim: dict[str, Any]) -> str:
    def bound(name: str, value: float) -> str:
        return f"{NAMES.get(name, name.replace('_', ' '))} {'at most' if name in ERRORS else 'at least'} {value:g}"

    text = bound(aim["measure"], aim["value"])
    if aim["given"]:
        text += ", with " + " and ".join(bound(name, value) for name, value in aim["given"].items())
    if aim["corpus"] != "all":
        text += f", on {aim['corpus']}"
    if aim["of"]:
        text += f", each of {', '.join(aim['of'])}"
    return text
