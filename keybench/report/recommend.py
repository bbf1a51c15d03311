"""The recommendation: which method to ship for stated needs, by what margin, and what it must not be trusted for.

Rule: among the methods that meet every need, the one that is right most often leads. Every method that meets the needs
and that the paired bootstrap (Holm-corrected) does not tell apart from the leader is as good; of these the simplest is
recommended, and of equally simple ones the faster.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from keybench.key import MAJOR, MINOR, MODES, NO_MODE, RELATIONS, mode_in_text, relation
from keybench.runs.spec import Needs
from keybench.scores.table import MIN_PIECES_PER_MODE, Answers
from keybench.stats.intervals import Estimate, GroupBootstrap
from keybench.stats.paired import Difference, holm, paired_difference

ALPHA = 0.05
WHAT = {"modes": "home note and mode", "major-minor": "home note and third", "tonic": "the home note"}
"""What an answer names in each label space, in words."""
_WEAK_RECALL = 0.75  # our own choice: below this a mode is named among what not to trust the method for


@dataclass(frozen=True)
class NeedMet:
    """One need, what was measured for it, whether it is met, and whether there were pieces enough to judge it by."""

    need: str
    measured: str
    met: bool
    judged: bool = True


@dataclass(frozen=True)
class Recommendation:
    """What to ship.

    Parameters
    ----------
    name : str or None
        The recommended method; None if none meets every need.
    nearest : str
        The method that is recommended or, if none meets the needs, misses them by least.
    needs : list of NeedMet
        For `nearest`.
    as_good : list of str
        Other methods that meet the needs and are not told apart from the leader.
    margin : Difference or None
        `nearest` less the best simpler method.
    simpler : str or None
        That simpler method.
    most_often_right : str
        Best method if only the share of right answers counts.
    words, cautions : list of str
        Sentences.
    """

    name: str | None
    nearest: str
    needs: list[NeedMet]
    as_good: list[str]
    margin: Difference | None
    simpler: str | None
    most_often_right: str
    words: list[str] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)


def recommend(
    by_method: dict[str, Answers],
    measures: dict[str, dict[str, Estimate]],
    simplicity: dict[str, int],
    needs: Needs,
    bootstrap: GroupBootstrap,
    labels: str,
    over_time: bool = False,
    secondary: bool = False,
) -> Recommendation:
    """Apply the rule of this module to pooled answers.

    Parameters
    ----------
    by_method : dict
        Answers on the pooled pieces.
    measures : dict
        `keybench.scores.table.measure` of each method on the same pieces.
    simplicity : dict
        Rank per method, 1 = simplest.
    needs : Needs
    bootstrap : GroupBootstrap
        Over the same pieces.
    labels : str
        Label space.
    over_time : bool
        Whether keys over time were asked for, so that shares are shares of the time.
    secondary : bool
        Whether the truth is too doubtful, or too synthetic, to recommend anything by.
    """
    right = {name: a.right(labels) for name, a in by_method.items()}
    order = sorted(by_method, key=lambda name: -right[name].mean())
    checks = {
        name: check_needs(by_method[name], measures[name], right[name], needs, labels, over_time) for name in order
    }
    meeting = [name for name in order if all(check.met or not check.judged for check in checks[name])]
    pool = meeting or order
    leader = pool[0] if meeting else min(order, key=lambda name: (sum(not c.met and c.judged for c in checks[name]),
                                                                  -right[name].mean()))  # fmt: skip
    rivals = [name for name in meeting if name != leader]
    differences = [paired_difference(right[leader], right[name], bootstrap) for name in rivals]
    adjusted = holm([difference.p for difference in differences])
    as_good = [name for name, p in zip(rivals, adjusted, strict=True) if p > ALPHA]
    chosen = min([leader, *as_good], key=lambda name: (simplicity[name], measures[name]["ms_per_piece"].value))
    as_good = [name for name in [leader, *as_good] if name != chosen] if meeting else []

    below = [name for name in order if simplicity[name] < simplicity[chosen]]
    simpler = below[0] if below else None
    margin = paired_difference(right[chosen], right[simpler], bootstrap) if simpler else None
    result = Recommendation(
        chosen if meeting else None, chosen, checks[chosen], as_good, margin, simpler, order[0]
    )  # fmt: skip
    words = _words(result, by_method, measures, labels, over_time)
    if secondary:
        words[0] = f"No recommendation: the truth here is secondary. Of these methods {chosen} does best by the rule."
    result.words.extend(words)
    result.cautions.extend(_cautions(by_method[chosen], measures[chosen], right[chosen], labels))
    return result


def check_needs(
    answers: Answers,
    measured: dict[str, Estimate],
    right: npt.NDArray[np.float64],
    needs: Needs,
    labels: str,
    over_time: bool = False,
) -> list[NeedMet]:
    """Hold one method against each need that is stated."""
    checks = []
    of = "of the time" if over_time else "of pieces"
    if needs.min_exact > 0:
        exact = measured["exact"]
        checks.append(
            NeedMet(
                f"{WHAT[labels]} right in at least {needs.min_exact:.0%} {of}",
                f"{exact.value:.1%} ({exact.low:.1%} to {exact.high:.1%})",
                exact.value >= needs.min_exact,
            )
        )
    if needs.min_mode_recall > 0:
        mode = answers.mode
        wanted = [MODES.index(name) for name in needs.modes]
        counts = {m: int((mode == m).sum()) for m in wanted}
        missing = [f"{mode_in_text(m)} ({n} pieces)" for m, n in counts.items() if n < MIN_PIECES_PER_MODE]
        recall = float("nan") if missing else float(np.mean([right[mode == m].mean() for m in wanted]))
        names = ", ".join(mode_in_text(m) for m in wanted)
        checks.append(
            NeedMet(
                f"{names}: on average at least {needs.min_mode_recall:.0%} of each named right",
                f"not measured, too few pieces: {', '.join(missing)}" if missing else f"{recall:.1%}",
                not missing and recall >= needs.min_mode_recall,
                judged=not missing,
            )
        )
    if needs.max_ms_per_piece > 0:
        cost = measured["ms_per_piece"]
        checks.append(
            NeedMet(
                f"at most {needs.max_ms_per_piece:g} ms of processor time a piece",
                f"{cost.value:.2g} ms",
                cost.value <= needs.max_ms_per_piece,
            )
        )
    return checks


def _of_1000(e: Estimate, over_time: bool) -> str:
    span = f"(95 % interval {1000 * e.low:.0f} to {1000 * e.high:.0f})"
    return f"{1000 * e.value:.0f} of 1,000 {'parts of the time' if over_time else 'pieces'} {span}"


def _p_text(p: float) -> str:
    return "< .001" if p < 0.001 else f"= {p:.3f}".replace("0.", ".")


def _mode_means(best: Estimate, chosen: Estimate) -> str:
    return f", with an average over the modes of {best.value:.0%} against {chosen.value:.0%}." if best.n else "."


def _words(
    r: Recommendation,
    by_method: dict[str, Answers],
    measures: dict[str, dict[str, Estimate]],
    labels: str,
    over_time: bool,
) -> list[str]:
    chosen = measures[r.nearest]
    words = []
    if r.name:
        open_needs = [check.need for check in r.needs if not check.judged]
        if chosen["exact"].value == 0:
            words.append(f"No method here is right even once; {r.name} is as good as any.")
        elif len(open_needs) == len(r.needs):
            words.append(f"Ship {r.name}.")
        else:
            words.append(
                f"Ship {r.name}. It meets every stated need{' that these pieces can judge' * bool(open_needs)}."
            )
        words += [f"Not judged, for lack of pieces: {need}." for need in open_needs]
    else:
        missed = "; ".join(check.need for check in r.needs if not check.met and check.judged)
        words.append(f"No method here meets every stated need. {r.nearest} comes nearest; it misses: {missed}.")
    words.append(
        f"It names {WHAT[labels]} right for {_of_1000(chosen['exact'], over_time)}"
        + ("." if labels == "tonic" else f", and the home note alone for {_of_1000(chosen['tonic'], over_time)}.")
    )
    if r.as_good:
        words.append(f"Not told apart from it on these pieces, and no simpler: {', '.join(r.as_good)}.")
    elif r.name and len(by_method) > 1:
        others = "No other method that meets the needs" if r.needs else "No other method"
        words.append(f"{others} is as good within what these pieces can show.")
    if r.margin and r.simpler:
        d = r.margin
        change = "more" if d.value >= 0 else "fewer"
        low, high = sorted((abs(d.low), abs(d.high))) if d.low * d.high > 0 else (d.low, d.high)
        words.append(
            f"Against {r.simpler}, the best of the simpler methods, it gets {1000 * abs(d.value):.0f} {change} of "
            f"1,000 right (95 % interval {1000 * low:.0f} to {1000 * high:.0f}): "
            + (
                f"it is right for longer on {d.only_a} pieces, the other on {d.only_b} (sign test"
                if over_time
                else f"it alone is right on {d.only_a} pieces, the other alone on {d.only_b} (exact McNemar test"
            )
            + f", p {_p_text(d.p_mcnemar)})."
        )
    if r.most_often_right != r.nearest:
        best = measures[r.most_often_right]
        words.append(
            f"If only the share of right answers counts, {r.most_often_right} is right most often: "
            f"{_of_1000(best['exact'], over_time)}" + _mode_means(best["mean_mode_recall"], chosen["mean_mode_recall"])
        )
    return words


def _cautions(
    answers: Answers, measured: dict[str, Estimate], right: npt.NDArray[np.float64], labels: str
) -> list[str]:
    cautions = []
    mode = answers.mode
    judged = {"modes": range(len(MODES)), "major-minor": (MAJOR, MINOR), "tonic": ()}[labels]
    if labels == "tonic":
        cautions.append("The mode: these labels name home notes only, so nothing was measured.")
    for m in judged:
        name = MODES[m]
        n = int((mode == m).sum())
        if n < MIN_PIECES_PER_MODE:
            cautions.append(
                f"{mode_in_text(m).capitalize() if m in (MAJOR, MINOR) else mode_in_text(m)}: "
                + (f"only {n} pieces, too few to say." if n else "nothing measured, no such pieces.")
            )
            continue
        recall = measured[f"recall_{name}"]
        if recall.value < _WEAK_RECALL:
            wrong = (mode == m) & (right < 1) & (answers.predicted >= 0)
            said = np.bincount(answers.predicted[wrong] // 12, minlength=len(MODES))
            judged_whole = said.any() and answers.over_time is None  # over time, most is wrong in part only
            instead = f"; when wrong it most often says {mode_in_text(int(said.argmax()))}" if judged_whole else ""
            cautions.append(
                f"{mode_in_text(m)}: right in {100 * recall.value:.0f} of 100 "
                f"(95 % interval {100 * recall.low:.0f} to {100 * recall.high:.0f}, {n} pieces){instead}."
            )
    open_mode = int((mode == NO_MODE).sum())
    if labels != "tonic" and open_mode:
        cautions.append(
            f"Of the pieces, {open_mode:,} are labelled with a home note and no mode: there a right home note is right."
        )
    error, chance = measured["calibration_error"], measured["calibration_floor"].value
    if error.n and error.value > max(0.02, 1.5 * chance):
        way = (
            "surer" if np.nanmean(answers.confidence(labels)) > right[answers.predicted >= 0].mean() else ("less sure")
        )
        cautions.append(
            f"How sure it says it is: off by {100 * error.value:.1f} points on average (it is {way} than it is right; "
            f"chance alone would make it {100 * chance:.1f})."
        )
    shares = {name: right[answers.corpus == name].mean() for name in dict.fromkeys(answers.corpus)}
    if len(shares) > 1:
        worst = min(shares, key=lambda name: shares[name])
        cautions.append(f"Weakest collection: {worst}, {100 * shares[worst]:.0f} of 100 right.")
    wrong = (right < 1) & (answers.predicted >= 0)
    if wrong.any() and labels != "tonic" and answers.over_time is None:
        kinds = np.bincount(relation(answers.reference()[wrong], answers.predicted[wrong]), minlength=len(RELATIONS))
        top = int(kinds.argmax())
        cautions.append(f'Of its {int(wrong.sum())} wrong answers, {kinds[top]} are of the kind "{RELATIONS[top]}".')
    cautions.append("Other music: these scores describe these collections. Ear and teacher decide.")
    return cautions
