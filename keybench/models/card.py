"""The card of a model: what it is for, what taught it, on what terms, how right it was measured, and its limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

from keybench.errors import ModelError
from keybench.key import LABEL_SPACES, MODES, mode_in_text
from keybench.validate import Fields


@dataclass(frozen=True)
class Teacher:
    """A corpus that taught a model.

    Parameters
    ----------
    id, title, licence, licence_note, derived_use, commercial_use, citation, origin : str
        As its manifest states them.
    revision, pieces, missing_files : int
        `pieces` taught; `missing_files` belong to the corpus and were not there.
    headline : bool
        Whether its truth may enter a headline number.
    content, manifest : str
        SHA-256 of what was read, and of the manifest.
    """

    id: str
    revision: int
    title: str
    pieces: int
    missing_files: int
    headline: bool
    licence: str
    licence_note: str
    derived_use: str
    commercial_use: str
    citation: str
    origin: str
    content: str
    manifest: str


@dataclass(frozen=True)
class Measured:
    """One figure, copied from the scores of a run.

    Parameters
    ----------
    experiment, run, split : str
        Where it was measured: the experiment, the run's mark, and how pieces were split.
    corpus, view, metric : str
    value, low, high : float
        With the ends of the 95 % interval.
    n : int
        Pieces.
    """

    experiment: str
    run: str
    split: str
    corpus: str
    view: str
    metric: str
    value: float
    low: float
    high: float
    n: int


@dataclass(frozen=True)
class Card:
    """What to know of a model before using it.

    Parameters
    ----------
    name, what_for : str
    use, description, source : str
        The method: its name in the registry, one plain line, where it comes from.
    params : dict
        Its constructor parameters, all of them.
    task : str
        ``key`` or ``sections``: what it was taught to say.
    labels : {"tonic", "major-minor", "modes"}
        What its answers are about.
    modes : dict of str to int
        Modes that it can tell, with the labelled pieces (of sections: stretches) that taught each.
    hears : tuple of str
        ``notes``, ``chroma``, ``both``: what it can be asked about.
    view : str
        What of a piece it was taught to hear.
    seed : int
        Of views that draw at random; the method's own seed is among its parameters.
    trained_on : tuple of Teacher
    licence, commercial_use : str
    share_alike : bool
    scores : tuple of Measured
    limits : tuple of str
    keybench, date, reproduce : str
    packages : dict of str to str
        Versions with which it was fitted.
    """

    name: str
    what_for: str
    use: str = ""
    description: str = ""
    source: str = ""
    params: dict[str, Any] = field(default_factory=dict)
    task: str = "key"
    labels: str = "modes"
    modes: dict[str, int] = field(default_factory=dict)
    hears: tuple[str, ...] = ()
    view: str = "whole"
    seed: int = 0
    trained_on: tuple[Teacher, ...] = ()
    licence: str = ""
    share_alike: bool = False
    commercial_use: str = "not stated"
    scores: tuple[Measured, ...] = ()
    limits: tuple[str, ...] = ()
    keybench: str = ""
    date: str = ""
    packages: dict[str, str] = field(default_factory=dict)
    reproduce: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return the card for JSON."""
        return asdict(self)


def read_card(table: dict[str, Any], where: str) -> Card:
    """Check a card that was read from JSON.

    Raises
    ------
    ModelError
        If a field is unknown, missing or of the wrong kind.
    """
    top = Fields(table, f"{where} [card]", ModelError)
    values: dict[str, Any] = {}
    for name, kind, usual in _kinds(Card):
        values[name] = top.take(name, kind, usual, accepted=LABEL_SPACES if name == "labels" else None)
    top.finish()
    if not values["name"].strip() or not values["what_for"].strip():
        raise top.fail("fields 'name' and 'what_for' must not be empty; accepted: texts")
    for name, kind in (("trained_on", Teacher), ("scores", Measured)):
        values[name] = tuple(_entry(kind, item, f"{top.where} [{name}]") for item in values[name])
    for name in ("hears", "limits"):
        values[name] = tuple(map(str, values[name]))
    return Card(**values)


def _kinds(owner: type) -> list[tuple[str, type, Any]]:
    """Return (name, kind, default) of the fields of a dataclass, as JSON has them."""
    known = {"str": str, "int": int, "float": float, "bool": bool}
    empty: dict[str, tuple[type, Any]] = {"tuple": (list, []), "dict": (dict, {})}
    out: list[tuple[str, type, Any]] = []
    for each in fields(owner):
        text = str(each.type)
        if text in known:
            out.append((each.name, known[text], each.default if isinstance(each.default, str | int) else ...))
        else:
            kind, nothing = empty[text.partition("[")[0]]
            out.append((each.name, kind, nothing))
    return out


def _entry(kind: type, item: Any, where: str) -> Any:
    if not isinstance(item, dict):
        raise ModelError(f"{where}: holds {item!r}; accepted: tables")
    entry = Fields(item, where, ModelError)
    values = {name: entry.take(name, of, usual) for name, of, usual in _kinds(kind)}
    entry.finish()
    return kind(**values)


def cautions(card: Card) -> Card:
    """Return the card with the limits that follow from what it states, before those that its maker wrote."""
    found = []
    if card.labels == "tonic":
        found.append("It was taught home notes only, and says nothing of modes.")
    elif card.modes:
        named = _listed([mode_in_text(MODES.index(mode)) for mode in card.modes])
        found.append(f"It can tell {named}; other modes it heard too seldom, or never, to be trusted with.")
    elif card.trained_on:
        found.append("It heard too few pieces of any mode to be trusted with modes.")
    if card.task == "sections":
        found.append("It was taught labelled stretches of pieces: ask it with segment() for keys over time.")
    if card.view != "whole":
        found.append(f"It was taught the view '{card.view}': show it the same of a piece, and no more.")
    for teacher in card.trained_on:
        if teacher.missing_files:
            found.append(f"{teacher.missing_files:,} files of {teacher.id} were missing when it was fitted.")
        if not teacher.headline:
            found.append(f"The labels of {teacher.id} are secondary truth: doubtful, derived or synthetic.")
    if card.commercial_use == "forbidden":
        found.append("Not for commercial use, as the licence of what taught it asks.")
    if card.share_alike:
        found.append(f"Share alike: the model, and what is made from it, are under {card.licence}.")
    if not card.scores:
        found.append("Not measured: no run of an experiment was given when it was made.")
    return replace(card, limits=tuple(dict.fromkeys((*found, *card.limits))))


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


_METRIC_WORDS: dict[str, str | dict[str, str]] = {
    "exact": {"tonic": "home note right", "major-minor": "key right", "modes": "home note and mode right"},
    "tonic": "home note right",
    "mean_mode_recall": "mean over modes",
    "calibration_error": "calibration error",
    "log_loss": "log-loss, nats",
    "boundary_f": "changes of key found and right (F)",
}
SCORES_KEPT = tuple(_METRIC_WORDS)
"""Metrics that a card keeps, besides the recall of each mode."""


def in_words(card: Card, size: int) -> str:
    """Return the card as text for a terminal.

    Parameters
    ----------
    card : Card
    size : int
        Of the model's files, in bytes.
    """
    lines = [
        ("hears", f"{_listed(card.hears) if card.hears else 'not stated'}; view: {card.view}"),
        ("says", _says(card)),
        ("method", f"{card.use}: {card.description}" if card.description else card.use),
        ("source", card.source),
        ("parameters", ", ".join(f"{name} = {value}" for name, value in card.params.items())),
        ("licence", f"{card.licence or 'not stated'}; commercial use {card.commercial_use}"
                    + "; share alike" * card.share_alike),
        ("size", f"{size:,} bytes"),
        ("made", f"{card.date[:10]}, keybench {card.keybench}, view seed {card.seed}"
                 + "".join(f", {name} {version}" for name, version in card.packages.items())),
        ("to make again", card.reproduce),
    ]  # fmt: skip
    wide = max(len(name) for name, _ in lines)
    text = [f"{card.name}: {card.what_for}", ""]
    text += [f"{name:<{wide}}  {value}" for name, value in lines if value]
    if card.trained_on:
        text += ["", "Taught by:"]
        for teacher in card.trained_on:
            text.append(f"  {teacher.id}, revision {teacher.revision}: {teacher.pieces:,} pieces. {teacher.title}")
            text.append(
                f"    {teacher.licence}; derived work {teacher.derived_use}; commercial use {teacher.commercial_use}. "
                f"{teacher.licence_note}"
            )
            text.append(f"    {teacher.origin}; content {teacher.content[:12]}")
    if card.scores:
        text += ["", "Measured, with 95 % intervals:", *_score_lines(card)]
    text += ["", "Limits:", *(f"  {limit}" for limit in card.limits)]
    cited = [teacher.citation for teacher in card.trained_on if teacher.citation]
    if cited:
        text += ["", "To cite what taught it:", *cited]
    return "\n".join(text)


def _says(card: Card) -> str:
    what = {"tonic": "the home note", "major-minor": "home note and major or minor", "modes": "home note and mode"}
    told = ", ".join(f"{mode_in_text(MODES.index(mode))} ({n:,})" for mode, n in card.modes.items())
    over_time = ", over time" if card.task == "sections" else ""
    return what[card.labels] + over_time + (f"; taught {told}" if told else "")


def _score_lines(card: Card) -> list[str]:
    lines = []
    for where in dict.fromkeys((s.experiment, s.run, s.split, s.view) for s in card.scores):
        lines.append(f"  {where[0]} (run {where[1]}, {where[2]}, view {where[3]})")
        for score in card.scores:
            whole = score.corpus == "all" or (score.metric == "exact" and len(card.trained_on) > 1)  # JSON has the rest
            same = score.metric == "tonic" and card.labels == "tonic"  # then that is what exact measures
            if (score.experiment, score.run, score.split, score.view) != where or not whole or same:
                continue
            lines.append(
                f"    {score.corpus}: {metric_in_words(score.metric, card)} {score.value:.3f} "
                f"({score.low:.3f} to {score.high:.3f}, n = {score.n:,})"
            )
    return lines


def metric_in_words(metric: str, card: Card) -> str:
    """Return what a metric means, for the label space and the task of the card."""
    if metric.startswith("recall_"):
        return f"{mode_in_text(MODES.index(metric.removeprefix('recall_')))} pieces right"
    words = _METRIC_WORDS[metric]
    text = words[card.labels] if isinstance(words, dict) else words
    return f"share of the time with {text}" if card.task == "sections" and metric in ("exact", "tonic") else text


def main_score(card: Card) -> Measured | None:
    """Return the share of right answers over all headline pieces, where it was measured."""
    return next((s for s in card.scores if s.metric == "exact"), None)
