"""The practitioner's way in full: rules propose a home note, scales are fitted on it, and ties are settled by ear."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from keybench.errors import EstimatorError
from keybench.estimators.base import MODE_RANK, FloatArray, ScoringEstimator, Tags, log_softmax
from keybench.estimators.evidence import spelled
from keybench.estimators.features import edge_index, pitch_classes
from keybench.key import HAS_MINOR_THIRD, N_KEYS, N_MODES, SCALES, key_at, mode_in_text
from keybench.notes import DOWNBEAT, STRONG, NoteTable

HOME_RULES: dict[str, str] = {
    "last": "the last note",
    "first_strong": "the first note on a strong beat",
    "first": "the first note",
    "lowest": "the lowest note",
    "held": "the note held longest in all",
    "repeated": "the note heard most often",
}
"""The rules that propose a home note, the most trusted first, with what each takes in words."""

MAJOR_PENTATONIC = (0, 2, 4, 7, 9)
MINOR_PENTATONIC = (0, 3, 5, 7, 10)

TRUST = 1e-3
"""By how much of a vote a rule counts more than the next in `HOME_RULES`: settles equal numbers of votes."""

FIVE_NOTES = 0.5
"""What a pentatonic scale that holds all notes is worth, as a share of all votes."""

RARER_MODE = 0.15
"""What each place down the order of modes costs, as a share of all votes."""

MODE_BY = ("scale", "third", "pentatonic")
"""What decides between modes with a major and with a minor third: see `HomeAndScale`."""

_RIDGE = 1.0  # penalty on the square of learnt weights: a touch, so that a rule that is always right stays finite

_OUTSIDE: FloatArray = np.stack(
    [np.roll(~SCALES[k // 12], k % 12) for k in range(N_KEYS)], axis=1
).astype(float)  # (12, 84): which pitch classes lie outside each key's scale  # fmt: skip


def _steps_of(notes: tuple[int, ...]) -> FloatArray:
    """(12, 12): which pitch classes belong to the pattern, by pitch class and home note."""
    pattern = np.isin(np.arange(12), notes).astype(float)
    return np.stack([np.roll(pattern, t) for t in range(12)], axis=1)


_PENTATONIC: FloatArray = np.concatenate(
    [_steps_of(MINOR_PENTATONIC if minor else MAJOR_PENTATONIC) for minor in HAS_MINOR_THIRD], axis=1
)  # (12, 84): which pitch classes belong to the pentatonic scale that goes with each key's third


_THIRDS: FloatArray = np.concatenate(
    [_steps_of((3,) if minor else (4,)) for minor in HAS_MINOR_THIRD], axis=1
)  # (12, 84): the third of each key


def home_and_scale_channels(table: NoteTable) -> FloatArray:
    """Return all that the rules look at, shape (n, 8, 12) over pitch classes.

    First the home note that each rule of `HOME_RULES` proposes, as ones; pitch classes that tie share the vote. The
    first strong note is the first to open a bar, without bars the first on any strong beat, and without metre the
    first. Of notes that begin together the lowest counts. Then the number of notes of each pitch class, and of passing
    ones (`passing_notes`).
    """
    n = len(table)
    channels = np.zeros((n, len(HOME_RULES) + 2, 12))
    filled = np.flatnonzero(table.n_notes > 0)
    if not len(filled):
        return channels
    pc, piece = pitch_classes(table), table.piece
    cell = 12 * piece + pc
    counts = np.bincount(cell, minlength=12 * n).reshape(n, 12).astype(float)
    lengths = np.bincount(cell, table.duration, 12 * n).reshape(n, 12)
    lengths = np.where(lengths.any(axis=1, keepdims=True), lengths, counts)

    start = table.offsets[:-1][filled]
    strong = np.zeros(n, dtype=np.int64)
    strong[filled] = start
    for accent in (STRONG, DOWNBEAT):  # the later overwrites
        notes = np.flatnonzero(table.accent == accent)
        opens = notes[np.append(True, np.diff(piece[notes]) != 0)[: len(notes)]]
        strong[piece[opens]] = opens
    proposed = {
        "last": pc[edge_index(table, last=True)],
        "first_strong": pc[strong[filled]],
        "first": pc[start],
        "lowest": np.floor(np.minimum.reduceat(table.pitch, start) + 0.5).astype(np.int64) % 12,
    }
    most = {"held": lengths, "repeated": counts}
    for i, rule in enumerate(HOME_RULES):
        if rule in proposed:
            channels[filled, i, proposed[rule]] = 1.0
        else:
            weights = most[rule][filled]
            tied = weights >= weights.max(axis=1, keepdims=True) * (1 - 1e-9)
            channels[filled, i] = tied / tied.sum(axis=1, keepdims=True)
    channels[:, -2] = counts
    channels[:, -1] = np.bincount(cell[passing_notes(table)], minlength=12 * n).reshape(n, 12)
    return channels


def passing_notes(table: NoteTable) -> npt.NDArray[np.int64]:
    """Find short notes between semitones; indices, ascending.

    Such a note lies a semitone from the note before and from the note after it in its part (C-sharp between C and D, or
    between two Ds), and lasts no longer than either. Notes of chords are not among them. Whole tones do not count: with
    them, the seventh that tells Mixolydian from major would be forgiven.
    """
    piece, part = table.piece, table.part
    order = _by_part(piece, part)
    distance = np.abs(np.diff(table.pitch[order]))
    semitone = (distance > 0.75) & (distance < 1.25)
    middle = np.flatnonzero(semitone[1:] & semitone[:-1]) + 1
    before, note, after = order[middle - 1], order[middle], order[middle + 1]
    kept = np.ones(len(note), dtype=bool)
    for earlier, later in ((before, note), (note, after)):
        kept &= (piece[earlier] == piece[later]) & (part[earlier] == part[later])
        kept &= table.onset[earlier] < table.onset[later]
    length = table.duration
    kept &= length[note] <= (1 + 1e-6) * np.minimum(length[before], length[after])
    return np.sort(note[kept])


def _by_part(piece: npt.NDArray[np.int64], part: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Order of the notes by piece, then part, then time, given that by piece and time."""
    order = np.arange(len(part))
    several = np.zeros(int(piece[-1]) + 1 if len(piece) else 0, dtype=bool)
    several[piece[1:][(part[1:] != part[:-1]) & (piece[1:] == piece[:-1])]] = True
    if several.any():
        rows = np.flatnonzero(several[piece])
        voice = part[rows] - part.min()
        order[rows] = rows[np.argsort(piece[rows] * (voice.max() + 1) + voice, kind="stable")]
    return order


class HomeAndScale(ScoringEstimator):
    """Let rules vote for a home note, fit scales on it, forgive passing notes, and ask the pentatonic scales.

    Parameters
    ----------
    last, first_strong, first, lowest, held, repeated : bool
        Rules that propose a home note: see `HOME_RULES` and `home_and_scale_channels`.
    passing : bool
        Forgive part of the cost of a note outside the scale that passes chromatically (`passing_notes`).
    pentatonic : bool
        Ask how many notes lie in the major pentatonic scale on the home note, for modes with a major third, and in the
        minor one, for those with a minor third: settles major-ish or minor-ish where seven-note scales fit alike, and
        speaks for the home note whose pentatonic scale holds more.
    commoner : bool
        Lean towards the commoner modes (`keybench.estimators.base.PREFERENCE`). Any note of a seven-note scale is the
        home note of some mode that fits: without this, the scale says little about home. Exact ties go to the commoner
        mode even without it.
    weights : {"equal", "learnt"}
        Give each rule one vote and the other terms the fixed sizes below, or learn all of them from the training pieces
        by a multinomial logistic fit with one weight per term (McFadden 1974).
    outside_cost : float
        What a scale that holds none of the notes loses, as a share of all votes; 0 does without the scale,
        with either weights.
    passing_cost : float
        What a passing note outside the scale costs, as a share of what another note outside costs.
    mode_by : {"scale", "third", "pentatonic"}
        What decides, on each home note, between modes with a major and with a minor third: the terms above; or before
        them, which of the two thirds is heard more often; or which of the two pentatonic scales holds more notes. Where
        that is equal, and within either family, the terms above decide.

    Attributes
    ----------
    weights_ : array, shape (n_terms,)
        Of the rules that are on, in the order of `HOME_RULES`; of the share of other notes outside the scale; of that
        of passing notes outside; of the share of notes in the pentatonic scale; and of each mode (7).

    Notes
    -----
    Common practice, no source. A key's score is the weighted sum of the terms that `weights_` lists; equal votes are
    counted as shares, so that they sum to 1. The sizes are one compromise, chosen on half of the folk tunes, of the
    popular songs and of the chorales together; each of the three alone would have them otherwise.
    """

    def __init__(
        self,
        last: bool = True,
        first_strong: bool = True,
        first: bool = True,
        lowest: bool = True,
        held: bool = True,
        repeated: bool = True,
        passing: bool = True,
        pentatonic: bool = True,
        commoner: bool = True,
        weights: str = "equal",
        outside_cost: float = 4.0,
        passing_cost: float = 0.25,
        mode_by: str = "scale",
    ):
        self.last = last
        self.first_strong = first_strong
        self.first = first
        self.lowest = lowest
        self.held = held
        self.repeated = repeated
        self.passing = passing
        self.pentatonic = pentatonic
        self.commoner = commoner
        self.weights = weights
        self.outside_cost = outside_cost
        self.passing_cost = passing_cost
        self.mode_by = mode_by

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """Learns only with learnt weights."""
        return Tags(learns=self.weights == "learnt")

    def check_parameters(self) -> None:
        """Complain of switches that are neither on nor off, of unknown weights and of costs that make no sense."""
        for name in (*HOME_RULES, "passing", "pentatonic", "commoner"):
            if not isinstance(getattr(self, name), bool):
                raise EstimatorError(f"{name} is {getattr(self, name)!r}; accepted: true, false")
        if self.weights not in ("equal", "learnt"):
            raise EstimatorError(f"unknown weights {self.weights!r}; accepted: equal, learnt")
        if not 0.0 <= self.outside_cost < np.inf:
            raise EstimatorError(f"outside_cost is {self.outside_cost!r}; accepted: a finite number, 0 or more")
        if not 0.0 <= self.passing_cost <= 1.0:
            raise EstimatorError(f"passing_cost is {self.passing_cost!r}; accepted: from 0 to 1")
        if self.mode_by not in MODE_BY:
            raise EstimatorError(f"unknown mode_by {self.mode_by!r}; accepted: {', '.join(MODE_BY)}")

    def _rules(self) -> npt.NDArray[np.int64]:
        """Which rules of `HOME_RULES` are on."""
        return np.flatnonzero([getattr(self, name) for name in HOME_RULES])

    def _terms(self, X: NoteTable) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return what the weights apply to, for each piece.

        Returns
        -------
        marks : array, shape (n, n_rules, 12)
            Home notes proposed by the rules that are on.
        other, passing : arrays, shape (n, 84)
            Shares of the notes outside each key's scale.
        five : array, shape (n, 84)
            Share of the notes in the major pentatonic scale on the home note, in the minor one for modes with a minor
            third.
        """
        channels = X.feature(home_and_scale_channels)
        counts = channels[:, -2]
        total = np.maximum(counts.sum(axis=1, keepdims=True), 1.0)
        forgiven = channels[:, -1] if self.passing else np.zeros_like(counts)
        outside = _OUTSIDE if self.outside_cost > 0 else np.zeros_like(_OUTSIDE)
        other, passing = ((part / total) @ outside for part in (counts - forgiven, forgiven))
        five = (counts / total) @ _PENTATONIC if self.pentatonic else np.zeros_like(other)
        return channels[:, self._rules()], other, passing, five

    def _learn(self, X: NoteTable, truth: npt.NDArray[np.bool_]) -> None:
        self.check_parameters()
        rules = self._rules()
        self.weights_ = np.concatenate(
            [
                (1.0 + TRUST * (len(HOME_RULES) - rules)) / max(len(rules), 1),
                [-self.outside_cost, -self.outside_cost * self.passing_cost, FIVE_NOTES],
                -RARER_MODE * MODE_RANK * self.commoner,
            ]
        )
        if self.weights == "learnt":
            self.weights_ = _learn_weights(self._design(X), truth)

    def _design(self, X: NoteTable) -> FloatArray:
        """Return the terms of every key beside each other, shape (n, 84, n_terms); zero for terms that are off."""
        marks, other, passing, five = self._terms(X)
        modes = np.repeat(np.eye(N_MODES), 12, axis=0) * self.commoner
        return np.concatenate(
            [
                np.tile(marks.transpose(0, 2, 1), (1, N_MODES, 1)),
                other[:, :, None],
                passing[:, :, None],
                five[:, :, None],
                np.broadcast_to(modes, (len(other), N_KEYS, N_MODES)),
            ],
            axis=2,
        )

    def _scores(self, X: NoteTable) -> FloatArray:
        marks, other, passing, five = self._terms(X)
        n_rules = marks.shape[1]
        rule, (w_other, w_passing, w_five), mode = np.split(self.weights_, [n_rules, n_rules + 3])
        scores = (w_other * other + w_passing * passing + w_five * five).reshape(-1, N_MODES, 12)
        scores += np.einsum("nrt,r->nt", marks, rule)[:, None, :]
        scores[X.n_notes > 0] += mode[:, None]
        if self.mode_by != "scale":
            # More than all other terms together can tell two modes on one home note apart by.
            decisive = 1.0 + max(-w_other, 0.0) + max(-w_passing, 0.0) + abs(w_five) + float(np.ptp(mode))
            scores -= decisive * self._overruled(X)
        return scores.reshape(len(X), N_KEYS)

    def _overruled(self, X: NoteTable) -> npt.NDArray[np.bool_]:
        """Mark the modes whose third, or pentatonic scale, is heard less than the other's, shape (n, 7, 12)."""
        counts = X.feature(home_and_scale_channels)[:, -2]
        heard = (counts @ (_THIRDS if self.mode_by == "third" else _PENTATONIC)).reshape(-1, N_MODES, 12)
        overruled: npt.NDArray[np.bool_] = heard < heard.max(axis=1, keepdims=True)
        return overruled

    def _reasons(self, X: NoteTable) -> list[str]:
        if not len(X.pitch):
            return ["There are no notes to go by."]
        key = key_at(int(self.predict(X)[0]))
        rules, degrees = self._rules(), (pitch_classes(X) - key.tonic) % 12
        n, words = len(degrees), []
        if len(rules):
            taken = list(HOME_RULES.values())
            marks = X.feature(home_and_scale_channels)[0, :, key.tonic]
            votes = [taken[r] for r in rules if marks[r] > 0]
            says = f"{len(votes)} of {len(rules)} rules" if votes else "No rule"
            words.append(f"{says} would take {key.tonic_name} for home{': ' + ', '.join(votes) if votes else ''}.")
        fit = np.array([int(SCALES[m][degrees].sum()) for m in range(N_MODES)])
        others = [int(m) for m in np.argsort(-fit + 0.1 * MODE_RANK, kind="stable") if m != key.mode]
        fits = ", ".join(f"{mode_in_text(m)} {fit[m]}" for m in others[:2])
        words.append(f"On {key.tonic_name}, {key.mode_name} holds {fit[key.mode]} of {n} notes, {fits}.")
        passing = passing_notes(X)
        passing = passing[~SCALES[key.mode][degrees[passing]]]
        if self.passing and len(passing):
            names = [spelled(int(pitch_class), key) for pitch_class in pitch_classes(X)[passing[:4]]]
            places = ", ".join(f"{name} at {X.onset[i]:g}" for name, i in zip(names, passing, strict=False))
            more = f" and {len(passing) - 4} more" if len(passing) > 4 else ""
            words.append(f"Forgiven as passing: {places}{more} (onsets in {X.unit}s).")
        if self.mode_by == "third":
            major, minor = (int((degrees == third).sum()) for third in (4, 3))
            words.append(f"Notes on the major third of {key.tonic_name}: {major}; on the minor third: {minor}.")
        if self.pentatonic or self.mode_by == "pentatonic":
            major, minor = (int(np.isin(degrees, five).sum()) for five in (MAJOR_PENTATONIC, MINOR_PENTATONIC))
            sounds = "neither major nor minor" if major == minor else "major" if major > minor else "minor"
            words.append(
                f"The major pentatonic scale on {key.tonic_name} holds {major} notes, the minor one {minor}: "
                f"it sounds {sounds}."
            )
        return words


def _learn_weights(design: FloatArray, truth: npt.NDArray[np.bool_]) -> FloatArray:
    """Fit a multinomial logistic model over keys whose weights are shared by all keys (McFadden 1974).

    Parameters
    ----------
    design : array, shape (n, 84, n_terms)
    truth : bool array, shape (n, 84)

    Returns
    -------
    array, shape (n_terms,)
    """
    n, _, k = design.shape
    flat = design.reshape(n * N_KEYS, k)

    def objective(w: FloatArray) -> tuple[float, FloatArray]:
        log_p = log_softmax((flat @ w).reshape(n, N_KEYS))
        p = np.exp(log_p)
        hit = np.where(truth, p, 0.0)
        mass = np.maximum(hit.sum(axis=1, keepdims=True), 1e-300)
        slope = flat.T @ (p - hit / mass).ravel()
        return float(0.5 * _RIDGE * w @ w - np.log(mass).sum()), slope + _RIDGE * w

    found: FloatArray = minimize(objective, np.zeros(k), jac=True, method="L-BFGS-B").x
    return found
