"""The contract that every estimator must keep, ours or a plug-in's.

``run_checks(estimator)`` runs them all and says how many ran; ``python -m keybench.estimators.checks [NAME ...]`` does
so for registered methods and exits with 1 if one failed. Each check is a plain function of an unfitted estimator that
raises `AssertionError`, or `Skip` with the reason where the estimator's tags exempt it.

All music is made as notes. A method that takes recordings hears what `recording` makes of them, one that takes both has
both.
"""

from __future__ import annotations

import copy
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from sklearn.base import clone

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.errors import KeybenchError
from keybench.estimators.base import KeyEstimator
from keybench.estimators.features import pitch_classes
from keybench.key import MODES, N_KEYS, SCALE_STEPS, Key, transpose_keys, truth_mask
from keybench.notes import DOWNBEAT, STRONG, NoteTable, Piece


class Skip(Exception):
    """A check does not apply; the message says why."""


@dataclass
class Checked:
    """Outcome of the checks on one estimator.

    Parameters
    ----------
    name : str
    passed : list of str
    failed, skipped : dict of str to str
        Reason by check.
    """

    name: str
    passed: list[str] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)
    skipped: dict[str, str] = field(default_factory=dict)

    @property
    def n_run(self) -> int:
        """Number of checks that ran to a verdict."""
        return len(self.passed) + len(self.failed)

    def __str__(self) -> str:
        skipped = f", {len(self.skipped)} skipped" if self.skipped else ""
        lines = [f"{self.name}: {self.n_run} checks run, {len(self.failed)} failed{skipped}"]
        lines += [f"  FAILED {check}: {reason}" for check, reason in self.failed.items()]
        lines += [f"  skipped {check}: {reason}" for check, reason in self.skipped.items()]
        return "\n".join(lines)


def small_corpus(n: int = 84, seed: int = 0) -> tuple[NoteTable, np.ndarray, np.ndarray]:
    """Make tunes in every mode by a seeded walk over the scale, ending at home more often than not.

    Returns
    -------
    notes : NoteTable
    truth : bool array, shape (n, 84)
    groups : int array, shape (n,)
        Pairs of tunes share a group.
    """
    rng = np.random.default_rng(seed)
    pieces, keys = [], []
    for i in range(n):
        key = Key(int(rng.integers(12)), i % len(MODES))
        length = int(rng.integers(24, 64))
        degree = np.cumsum(rng.choice([-2, -1, -1, 0, 1, 1, 2], size=length)) % 7
        degree[rng.random(length) < 0.25] = 0
        if rng.random() < 0.8:
            degree[-1] = 0
        duration = rng.choice([0.5, 0.5, 1.0, 1.5], size=length)
        onset = np.cumsum(duration) - duration
        accent = np.where(onset % 4 == 0, DOWNBEAT, np.where(onset % 2 == 0, STRONG, 0))
        pitch = 60.0 + key.tonic + SCALE_STEPS[key.mode][degree]
        pieces.append(Piece(onset, duration, pitch, None, accent))
        keys.append([key])
    return NoteTable.from_pieces(pieces), truth_mask(keys), np.arange(n) // 2


def recording(notes: NoteTable) -> ChromaTable:
    """Make a recording of each piece: a frame wherever notes begin, with their energies in bass and treble."""
    frames = []
    for i in range(len(notes)):
        piece = notes[i]
        time, frame = np.unique(piece.onset, return_inverse=True)
        energy = np.zeros((len(time), 12))
        np.add.at(energy, (frame, pitch_classes(piece)), 1.0)
        frames.append((time, energy, energy))
    return ChromaTable.from_frames(frames)


def heard_by(estimator: KeyEstimator, notes: NoteTable) -> Any:
    """Return music as the kind of table that an estimator takes."""
    if estimator.tags.takes == "chroma":
        return recording(notes)
    return BothTable(notes, recording(notes)) if estimator.tags.takes == "both" else notes


def _corpus(estimator: KeyEstimator) -> tuple[Any, np.ndarray, np.ndarray]:
    notes, truth, groups = small_corpus()
    return heard_by(estimator, notes), truth, groups


_last: list[tuple[Any, KeyEstimator]] = []
"""The fit that the last check asked for: most ask for the same one, and copies cost less than fits."""


def _fitted(estimator: KeyEstimator, afresh: bool = False) -> tuple[KeyEstimator, Any]:
    known = (type(estimator), repr(estimator.get_params()))
    if afresh or not _last or _last[0][0] != known:
        music, truth, groups = _corpus(estimator)
        _last[:] = [(known, clone(estimator).fit(music, truth, groups=groups))]
    return copy.deepcopy(_last[0][1]), heard_by(estimator, small_corpus(30, seed=1)[0])


def check_clone_keeps_parameters(estimator: KeyEstimator) -> None:
    """Check that clone gives the same constructor parameters: they are stored and nothing else."""
    cloned = clone(estimator)
    assert cloned.get_params() == estimator.get_params(), "clone changed the parameters"


def check_fit_returns_self_and_keeps_parameters(estimator: KeyEstimator) -> None:
    """``fit`` returns the estimator and leaves its parameters alone."""
    notes, truth, groups = _corpus(estimator)
    cloned = clone(estimator)
    before = cloned.get_params()
    assert cloned.fit(notes, truth, groups=groups) is cloned, "fit did not return self"
    assert cloned.get_params() == before, "fit changed constructor parameters"


def check_unfitted_is_refused(estimator: KeyEstimator) -> None:
    """Asking before fitting is a NotFittedError."""
    from sklearn.exceptions import NotFittedError

    notes = heard_by(estimator, small_corpus(2)[0])
    try:
        clone(estimator).predict_log_proba(notes)
    except NotFittedError:
        return
    raise AssertionError("predict_log_proba before fit did not raise NotFittedError")


def check_log_proba_is_a_distribution(estimator: KeyEstimator) -> None:
    """Log-probabilities are finite, of shape (n, 84), and their exponentials sum to 1."""
    model, notes = _fitted(estimator)
    log_proba = model.predict_log_proba(notes)
    assert log_proba.shape == (len(notes), N_KEYS), f"shape {log_proba.shape}"
    assert np.isfinite(log_proba).all(), "not finite"
    worst = np.abs(np.exp(log_proba).sum(axis=1) - 1).max()
    assert worst < 1e-6, f"sums to 1 only within {worst:.1e}"


def check_predict_is_the_most_probable(estimator: KeyEstimator) -> None:
    """``predict`` gives a key that no other key is more probable than."""
    model, notes = _fitted(estimator)
    log_proba = model.predict_log_proba(notes)
    chosen = log_proba[np.arange(len(notes)), model.predict(notes)]
    assert (chosen >= log_proba.max(axis=1) - 1e-9).all(), "predict is not the argmax of predict_log_proba"


def check_deterministic(estimator: KeyEstimator) -> None:
    """Fitting twice on the same pieces gives the same answers."""
    first, notes = _fitted(estimator)
    second, _ = _fitted(estimator, afresh=True)
    assert np.array_equal(first.predict_log_proba(notes), second.predict_log_proba(notes)), "two fits differ"


def check_transposition(estimator: KeyEstimator) -> None:
    """Check that moving the music by k semitones moves the answer by k."""
    if not estimator.tags.equivariant:
        raise Skip("tagged as not equivariant")
    model, notes = _fitted(estimator)
    expected = model.predict_log_proba(notes)
    for k in (1, 5, 7, 11, -3, 12):
        moved = model.predict_log_proba(notes.transpose(k))
        gap = np.abs(moved - transpose_keys(expected, k)).max()
        assert gap < 1e-3, f"moved by {k} semitones, log-probabilities differ by {gap:.1e}"
        assert np.array_equal(moved.argmax(axis=1), transpose_keys(expected, k).argmax(axis=1)), f"answer, k = {k}"


def check_duration_scale(estimator: KeyEstimator) -> None:
    """Check that the same music at half or three times the length gives the same answer."""
    if estimator.tags.takes in ("chroma", "both"):
        raise Skip("recordings are timed in seconds")
    model, _ = _fitted(estimator)
    notes = small_corpus(30, seed=1)[0]
    expected = model.predict_log_proba(notes)
    for factor in (0.5, 3.0):
        scaled = notes.replace(onset=notes.onset * factor, duration=notes.duration * factor)
        gap = np.abs(model.predict_log_proba(scaled) - expected).max()
        assert gap < 1e-3, f"times {factor:g}, log-probabilities differ by {gap:.1e}"


def check_alone_as_in_company(estimator: KeyEstimator) -> None:
    """Check that a piece gets the same answer alone as in a batch."""
    model, notes = _fitted(estimator)
    batch = model.predict_log_proba(notes)
    for i in (0, 7, len(notes) - 1):
        gap = np.abs(model.predict_log_proba(notes[i].detach())[0] - batch[i]).max()
        assert gap < 1e-3, f"piece {i} alone differs by {gap:.1e}"


def check_order_of_notes(estimator: KeyEstimator) -> None:
    """Check that notes given in another order are the same piece."""
    model, _ = _fitted(estimator)
    piece = small_corpus(1, seed=2)[0].pieces()[0]
    shuffle = np.random.default_rng(0).permutation(len(piece.onset))
    shuffled = Piece(*(getattr(piece, name)[shuffle] for name in ("onset", "duration", "pitch", "part", "accent")))
    one, other = (model.predict_log_proba(heard_by(estimator, NoteTable.from_pieces([p]))) for p in (piece, shuffled))
    assert np.allclose(one, other, atol=1e-6), "the order in which notes are given changed the answer"


def _odd_pieces() -> dict[str, Piece]:
    huge = np.random.default_rng(0).integers(40, 90, size=100_000).astype(float)
    return {
        "empty": Piece(np.zeros(0), np.zeros(0), np.zeros(0)),
        "one note": Piece(np.zeros(1), np.ones(1), np.array([62.0])),
        "two notes": Piece(np.arange(2.0), np.ones(2), np.array([62.0, 69.0])),
        "zero lengths": Piece(np.arange(4.0), np.zeros(4), np.array([62.0, 64, 65, 62])),
        "all at once": Piece(np.zeros(5), np.ones(5), np.array([50.0, 62, 65, 69, 74])),
        "one pitch class": Piece(np.arange(8.0), np.ones(8), np.array([50.0, 62] * 4)),
        "all twelve equally": Piece(np.arange(24.0), np.ones(24), np.tile(np.arange(60.0, 72), 2)),
        "quarter tones": Piece(np.arange(6.0), np.ones(6), np.array([60.5, 62.25, 64.4, 65.6, 67.0, 60.5])),
        "100,000 notes": Piece(np.arange(100_000.0), np.ones(100_000), huge),
    }


def check_odd_input(estimator: KeyEstimator) -> None:
    """Empty, tiny, flat and huge pieces get a distribution or an error of ours, and no numpy warning."""
    model, _ = _fitted(estimator)
    with np.errstate(all="raise", under="ignore"):
        for name, piece in _odd_pieces().items():
            try:
                log_proba = model.predict_log_proba(heard_by(estimator, NoteTable.from_pieces([piece])))
            except KeybenchError:
                continue
            except FloatingPointError as error:
                raise AssertionError(f"{name}: {error}") from None
            good = log_proba.shape == (1, N_KEYS) and np.isfinite(log_proba).all()
            good = good and abs(np.exp(log_proba).sum() - 1) < 1e-6
            assert good, f"{name}: not a distribution"


SUREST_OF_NONSENSE = 0.3
"""The most that may be given to one key of music that speaks for none."""

_UNEVEN = 0.1  # the most by which home notes may differ in music that is the same from all of them


def _nonsense() -> dict[str, Piece]:
    """Music in which no listener finds a key: one pitch class, all twelve alike, noise."""
    rng = np.random.default_rng(0)
    orders = {
        "upwards": np.arange(12.0),
        "by fifths": np.arange(12.0) * 7 % 12,
        "shuffled": rng.permutation(12).astype(float),
        "shuffled, eight times": np.concatenate([rng.permutation(12) for _ in range(8)]).astype(float),
    }
    alike = {
        f"all twelve equally, {name}": Piece(
            np.arange(float(len(order))), np.ones(len(order)), (60.0 + order).astype(float)
        )
        for name, order in orders.items()
    }
    n = 100_000
    return {
        "four times one note": Piece(np.arange(4.0), np.ones(4), np.full(4, 62.0)),
        "one note 200 times": Piece(np.arange(200.0), np.ones(200), np.full(200, 62.0)),
        "one pitch class in octaves": Piece(np.arange(8.0), np.ones(8), np.array([50.0, 62] * 4)),
        **alike,
        "all twelve at once": Piece(np.zeros(12), np.ones(12), np.arange(60.0, 72)),
        "100,000 notes at random": Piece(np.arange(float(n)), np.ones(n), rng.integers(40, 90, size=n).astype(float)),
        "100,000 notes of a chromatic scale": Piece(
            np.arange(float(n)), np.ones(n), (48.0 + np.arange(n) % 36).astype(float)
        ),
    }


def _flat_recordings() -> dict[str, ChromaTable]:
    """Make recordings in which nothing stands out."""
    time = np.arange(64.0)
    return {
        f"{name} energy in {n} frames": ChromaTable.from_frames([(time[:n], energy[:n], energy[:n])])
        for name, energy in (("no", np.zeros((64, 12))), ("even", np.ones((64, 12))))
        for n in (1, 64)
    }


def check_nonsense_gets_a_flat_answer(estimator: KeyEstimator) -> None:
    """Check that music which speaks for no key gets none surely, and the same of all where it is the same from all.

    One pitch class may favour its key, and other music the one that settles ties; no key gets more than
    `SUREST_OF_NONSENSE`, and where all twelve pitch classes sound alike home notes differ by a tenth at most. A method
    that says the same of all music is exempt.
    """
    if not estimator.tags.equivariant:
        raise Skip("tagged as not equivariant")
    model, _ = _fitted(estimator)
    heard = {name: heard_by(estimator, NoteTable.from_pieces([piece])) for name, piece in _nonsense().items()}
    if estimator.tags.takes == "chroma":
        heard |= _flat_recordings()
    for name, music in heard.items():
        try:
            with np.errstate(all="raise", under="ignore"):
                p = np.exp(model.predict_log_proba(music)[0])
        except KeybenchError:
            continue
        assert p.max() <= SUREST_OF_NONSENSE, f"{name}: gives one key {p.max():.2f}"
        if name.startswith("all twelve"):
            home = p.reshape(len(MODES), 12).sum(axis=0)
            uneven = float(home.max() - home.min())
            assert uneven <= _UNEVEN, f"{name}: home notes differ by {uneven:.2f}"


def check_follow_gives_distributions(estimator: KeyEstimator) -> None:
    """Check that what is said of each step are log-probabilities, and that steps begin one after the other."""
    model, notes = _fitted(estimator)
    said = model.follow(notes)
    n_steps = np.diff(said.offsets)
    assert len(n_steps) == len(notes), f"steps of {len(n_steps)} pieces for {len(notes)}"
    assert (n_steps > 0).all(), "a piece with notes has no step"
    assert said.log_proba.shape == (len(said.begins), N_KEYS), f"shape {said.log_proba.shape}"
    totals = np.exp(said.log_proba).sum(axis=1)
    assert np.abs(totals - 1.0).max() < 1e-6, f"probabilities of a step sum to {totals[np.abs(totals - 1).argmax()]:g}"
    inside = np.ones(len(said.begins), dtype=bool)
    inside[said.offsets[:-1]] = False
    assert (np.diff(said.begins, prepend=-np.inf)[inside] > 0).all(), "steps do not begin one after the other"


def check_silence_is_not_sure(estimator: KeyEstimator) -> None:
    """Check that a piece without notes gets no confident answer."""
    model, _ = _fitted(estimator)
    try:
        log_proba = model.predict_log_proba(heard_by(estimator, NoteTable.from_pieces([_odd_pieces()["empty"]])))
    except KeybenchError:
        return
    assert np.exp(log_proba.max()) < 0.5, f"says {np.exp(log_proba.max()):.0%} for a piece without notes"


def check_no_pieces(estimator: KeyEstimator) -> None:
    """Check that a table without pieces gets an answer without rows."""
    model, _ = _fitted(estimator)
    none = heard_by(estimator, NoteTable.from_pieces([]))
    assert model.predict_log_proba(none).shape == (0, N_KEYS), "wrong shape for no pieces"


def check_wrong_input_is_named(estimator: KeyEstimator) -> None:
    """Something that is not a note table, or truths of another length, are errors of ours."""
    notes, truth, groups = _corpus(estimator)
    model = clone(estimator).fit(notes, truth, groups=groups)
    for what, call in (
        ("a list for notes", lambda: model.predict_log_proba([60, 62, 64])),
        ("truths of another length", lambda: clone(estimator).fit(notes, truth[:-1], groups=groups)),
        ("a piece without an acceptable key", lambda: clone(estimator).fit(notes, np.zeros_like(truth), groups=groups)),
    ):
        try:
            call()
        except KeybenchError:
            continue
        raise AssertionError(f"{what} was not refused")


def check_fit_looks_only_at_training(estimator: KeyEstimator) -> None:
    """Check that what is learnt from a selection does not depend on the pieces or truths left out of it."""
    notes, truth, groups = small_corpus()
    other_notes, other_truth, _ = small_corpus(seed=5)
    half = np.arange(len(notes)) < len(notes) // 2
    mixed = NoteTable.concatenate([notes[half], other_notes[~half]])
    mixed_truth = np.where(half[:, None], truth, other_truth)
    test = heard_by(estimator, small_corpus(20, seed=1)[0])
    music, mixed_music = heard_by(estimator, notes), heard_by(estimator, mixed)
    one = clone(estimator).fit(music[half], truth[half], groups=groups[half])
    two = clone(estimator).fit(mixed_music[half], mixed_truth[half], groups=groups[half])
    assert np.array_equal(one.predict_log_proba(test), two.predict_log_proba(test)), "fit saw pieces left out of X"


def check_does_not_change_input(estimator: KeyEstimator) -> None:
    """Neither fitting nor answering changes the notes or the truths."""
    music, truth, groups = _corpus(estimator)
    tables = (music.notes, music.chroma) if isinstance(music, BothTable) else (music,)
    before = [{name: column.copy() for name, column in table.columns().items()} for table in tables]
    truth_before = truth.copy()
    clone(estimator).fit(music, truth, groups=groups).predict_log_proba(music)
    for table, columns in zip(tables, before, strict=True):
        assert all(np.array_equal(columns[name], getattr(table, name)) for name in columns), "the music was changed"
    assert np.array_equal(truth, truth_before), "truths were changed"


def check_explains_itself(estimator: KeyEstimator) -> None:
    """``explain`` gives, per piece, ranked keys with the predicted one first, and at least one sentence."""
    model, notes = _fitted(estimator)
    few = notes[:3]
    evidence = model.explain(few)
    assert len(evidence) == 3, "one piece of evidence per piece"
    log_proba = model.predict_log_proba(few)
    for i, e in enumerate(evidence):
        assert log_proba[i, e.ranked[0][0].index] >= log_proba[i].max() - 1e-9, "ranked keys do not start with the best"
        assert e.words, "no words"


CHECKS: tuple[Callable[[KeyEstimator], None], ...] = tuple(
    function for name, function in list(globals().items()) if name.startswith("check_")
)
"""All checks, in the order of this file."""


def run_checks(estimator: KeyEstimator, name: str | None = None) -> Checked:
    """Run every check on an estimator.

    Parameters
    ----------
    estimator : KeyEstimator
        Unfitted; it is cloned and never fitted itself.
    name : str, optional
        For the outcome; the class name by default.

    Returns
    -------
    Checked
        Print it for a summary that says how many checks ran.
    """
    outcome = Checked(name or type(estimator).__name__)
    for check in CHECKS:
        title = check.__name__.removeprefix("check_")
        try:
            check(estimator)
        except Skip as reason:
            outcome.skipped[title] = str(reason)
        except Exception as error:  # a crash is a failed check, not the end of the suite
            outcome.failed[title] = (
                f"{type(error).__name__}: {error}" if not isinstance(error, AssertionError) else str(error)
            )
        else:
            outcome.passed.append(title)
    return outcome


def main(arguments: Sequence[str]) -> int:
    """Check registered methods by name, all by default; return 1 if a check failed, 2 for an unknown name."""
    from keybench.estimators import make, names

    try:
        outcomes = [run_checks(make(name), name) for name in arguments or names()]
    except KeybenchError as error:
        print(f"keybench: {error}", file=sys.stderr)
        return 2
    for outcome in outcomes:
        print(outcome)
    failed = sum(len(outcome.failed) for outcome in outcomes)
    print(f"{sum(outcome.n_run for outcome in outcomes)} checks run on {len(outcomes)} methods, {failed} failed")
    return 1 if failed or not any(outcome.n_run for outcome in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
