"""Evidence that a musician can read: what in the notes of a piece speaks for a key and against it.

Everything is worked out from the notes and the probabilities, whatever the method; what the method itself has to say
comes first. Bars are counted as musicians count them: the first full bar is bar 1, a pickup stands in bar 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.estimators.chroma_features import chroma_weights
from keybench.estimators.features import duration_weights, edge_note, note_counts, pitch_classes
from keybench.estimators.taught import log_tonics
from keybench.key import (
    HAS_MINOR_THIRD,
    LOCRIAN,
    MAJOR,
    N_MODES,
    RELATIONS,
    SCALE_STEPS,
    SCALES,
    Key,
    key_at,
    mode_in_text,
    relation,
)
from keybench.notes import DOWNBEAT, STRONG, NoteTable

SURE_FROM = 0.5
"""Probability of the answer below which it is called unsure, where a method has no threshold of its own."""

_NOTE_NAMES = ("C", "C-sharp", "D", "E-flat", "E", "F", "F-sharp", "G", "A-flat", "A", "B-flat", "B")
_DEGREES = ("home note", "second", "third", "fourth", "fifth", "sixth", "seventh")
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six")
_UNITS = {"quarter": "quarters", "second": "seconds", "mixed": "quarters or seconds"}
_RELATION_WORDS = {
    "same scale notes": "the same seven notes with another home note",
    "parallel": "the same home note with another scale",
    "fifth above": "a fifth above",
    "fifth below": "a fifth below",
    "one scale note apart": "one scale note apart",
    "other": "further away",
}
_MOST_OUTSIDE = 12
_MOST_NAMED = 4
_MOST_SEPARATING = 3


@dataclass(frozen=True)
class Rival:
    """Why the runner-up lost.

    Parameters
    ----------
    key : Key
    relation : str
        How it stands to the answer, one of `keybench.key.RELATIONS`.
    needs : list of (str, int)
        Notes of its scale that the answer's lacks, and how many of each were heard; in recordings, how many hundredths
        of the energy.
    lacks : list of (str, int)
        Notes of the answer's scale that its own lacks, and the same.
    for_answer, for_rival : list of str
        What speaks for the answer's home note against the rival's, and the reverse; empty if they share it.
    """

    key: Key
    relation: str
    needs: list[tuple[str, int]]
    lacks: list[tuple[str, int]]
    for_answer: list[str] = field(default_factory=list)
    for_rival: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Evidence:
    """Why a key, for one piece.

    Parameters
    ----------
    ranked : list of (Key, float)
        The five most probable keys with their probabilities; where only home notes are answered (`home_only`), the five
        most probable home notes, each as the major key on it.
    scale_fit : dict
        For each mode on the answer's home note: how many notes lie in the scale, of how many; in recordings, how many
        hundredths of the energy, of 100.
    outside : list of (float, str)
        Onset and name of the first notes outside the answer's scale (twelve at most).
    first_note, last_note : str or None
        Names of the opening and closing notes.
    words : list of str
        The same as sentences.
    places : list of str
        Where each note of `outside` stands, as in ``bar 3, beat 2``; its onset where the metre is not known.
    first_degree, last_degree : str or None
        What the opening and closing notes are in the answer's scale, as in ``fifth``.
    rival : Rival or None
        Why the runner-up lost; None where nothing was heard.
    sure : bool
        Whether the answer's probability reaches what the method calls sure.
    n_heard : int
        Number of notes or frames.
    home_only : bool
        The method was taught home notes without modes: nothing is said of modes and scales.
    """

    ranked: list[tuple[Key, float]]
    scale_fit: dict[str, tuple[int, int]]
    outside: list[tuple[float, str]]
    first_note: str | None
    last_note: str | None
    words: list[str] = field(default_factory=list)
    places: list[str] = field(default_factory=list)
    first_degree: str | None = None
    last_degree: str | None = None
    rival: Rival | None = None
    sure: bool = True
    n_heard: int = 0
    home_only: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Return everything as lists, numbers and strings that JSON can hold."""
        rival = None
        if self.rival is not None:
            rival = {
                "key": self._named(self.rival.key),
                "relation": self.rival.relation,
                "needs": [{"note": name, "heard": count} for name, count in self.rival.needs],
                "lacks": [{"note": name, "heard": count} for name, count in self.rival.lacks],
                "for_answer": list(self.rival.for_answer),
                "for_rival": list(self.rival.for_rival),
            }
        return {
            "answers": "home notes" if self.home_only else "keys",
            "ranked": [{"key": self._named(key), "probability": p} for key, p in self.ranked],
            "sure": self.sure,
            "n_heard": self.n_heard,
            "scale_fit": {mode: {"inside": inside, "of": of} for mode, (inside, of) in self.scale_fit.items()},
            "outside": [
                {"onset": onset, "note": name, "place": place}
                for (onset, name), place in zip(self.outside, self.places, strict=True)
            ],
            "first_note": self.first_note,
            "first_degree": self.first_degree,
            "last_note": self.last_note,
            "last_degree": self.last_degree,
            "rival": rival,
            "words": list(self.words),
        }

    def _named(self, key: Key) -> str:
        return key.tonic_name if self.home_only else str(key)


def note_name(pitch: float) -> str:
    """Return the name of a note's pitch class in words, as in ``F-sharp``."""
    return _NOTE_NAMES[int(np.floor(pitch + 0.5)) % 12]


def spelled(pitch_class: int, key: Key) -> str:
    """Return the name of a pitch class as it is written in a key, as in ``D-flat`` in B-flat minor.

    Notes of the scale have a letter each. Of notes outside it, those that are commonly raised are written as raised
    (the fourth, in keys with a major third also the first; in keys with a minor third the seventh), the others as
    lowered.
    """
    name = key.tonic_name
    home = "FCGDAEB".index(name[0]) - 1 + 7 * (name.endswith("sharp") - name.endswith("flat"))
    lowest = -6 if key.mode == LOCRIAN else -5 if HAS_MINOR_THIRD[key.mode] else -4
    # Twelve neighbours on the line of fifths name every pitch class once.
    place = home + lowest + (7 * (pitch_class - key.tonic) - lowest) % 12
    raised = (place + 1) // 7
    sign = {-2: "-double-flat", -1: "-flat", 0: "", 1: "-sharp", 2: "-double-sharp"}[raised]
    return "FCGDAEB"[(place + 1) % 7] + sign


def degree_name(pitch_class: int, key: Key) -> str:
    """Return what a pitch class is in a key's scale: ``home note``, ``fifth``, ``note outside the scale``."""
    place = np.flatnonzero(SCALE_STEPS[key.mode] == (pitch_class - key.tonic) % 12)
    return _DEGREES[int(place[0])] if len(place) else "note outside the scale"


def describe(
    piece: NoteTable | ChromaTable | BothTable,
    log_proba: npt.NDArray[np.float64],
    reasons: list[str],
    sure_from: float = SURE_FROM,
    calibrated: bool = False,
    home_only: bool = False,
) -> Evidence:
    """Collect the evidence for one piece.

    Parameters
    ----------
    piece : NoteTable, ChromaTable or BothTable
        Of one piece.
    log_proba : array, shape (84,)
    reasons : list of str
        What the method itself has to say, put first.
    sure_from : float
        Probability of the answer below which it is called unsure.
    calibrated : bool
        Whether the probabilities were held against how often the method was right, so that words may say so.
    home_only : bool
        Whether the method was taught home notes without modes; then it is not asked about modes.
    """
    if home_only:
        return _describe_home(piece, log_proba, reasons, sure_from, calibrated)
    order = np.argsort(-log_proba, kind="stable")[:5]
    ranked = [(key_at(int(i)), float(np.exp(log_proba[i]))) for i in order]
    sure = ranked[0][1] >= sure_from
    words = [*reasons, *_confidence(ranked, sure, calibrated)]
    if isinstance(piece, ChromaTable):
        return _describe_chroma(piece, ranked, words, sure)
    if isinstance(piece, BothTable):
        heard = _describe_chroma(piece.chroma, ranked, [], sure)
        return _describe_notes(piece.notes, ranked, words, sure, [f"In the recording: {w}" for w in heard.words[:1]])
    return _describe_notes(piece, ranked, words, sure, [])


def _describe_home(
    piece: NoteTable | ChromaTable | BothTable,
    log_proba: npt.NDArray[np.float64],
    reasons: list[str],
    sure_from: float,
    calibrated: bool,
) -> Evidence:
    """Collect the evidence for a home note alone: ends, strong beats, length and repetition, and no scale.

    Of what the method says, sentences that name a mode are left out.
    """
    p_home = np.exp(log_tonics(log_proba[None])[0])
    order = np.argsort(-np.round(p_home, 12), kind="stable")[:5]
    ranked = [(Key(int(tonic), MAJOR), float(p_home[tonic])) for tonic in order]
    sure = ranked[0][1] >= sure_from
    best, other = ranked[0][0], ranked[1][0]
    reasons = [said for said in reasons if not any(mode_in_text(m) in said for m in range(N_MODES))]
    words = [*reasons, *_confidence(ranked, sure, calibrated, home_only=True)]
    words.append("What taught it names home notes only: it says nothing of the mode.")
    notes = piece.notes if isinstance(piece, BothTable) else piece
    first = last = rival = None
    speaking: tuple[list[str], list[str]] = ([], [])
    if isinstance(notes, ChromaTable):
        n = len(notes.time)
        heard = bool(chroma_weights(notes).sum() > 0)
        if heard:
            speaking = _homes_in_chroma(notes, best, other)
    else:
        n = len(notes.pitch)
        heard = n > 0
        if heard:
            first, last = (spelled(int(edge_note(notes, end)[0]), best) for end in (False, True))
            words.append(f"It opens on {first} and ends on {last}.")
            speaking = _homes(notes, best, other)
    if heard:
        how = RELATIONS[int(relation(best.index, other.index))]
        rival = Rival(other, how, [], [], *speaking)
        words += _for_each_home(rival, best)
    else:
        words.append("Nothing was heard: this is only what is common.")
    return Evidence(ranked, {}, [], first, last, words, rival=rival, sure=sure, n_heard=n, home_only=True)


def _confidence(ranked: list[tuple[Key, float]], sure: bool, calibrated: bool, home_only: bool = False) -> list[str]:
    """Say how sure the answer is, in shares and in natural frequencies."""
    (first, p), (second, q) = ranked[:2]
    best, runner_up = (key.tonic_name if home_only else str(key) for key in (first, second))
    opening = "Most probable home note" if home_only else "Most probable"
    words = [f"{opening}: {best} ({_percent(p)}), then {runner_up} ({_percent(q)})."]
    if calibrated:
        right = round(100 * p)
        some = (
            "fewer than one is"
            if right < 1
            else "nearly all are"
            if right > 99
            else f"about {right} {'is' if right == 1 else 'are'}"
        )
        words.append(f"Of 100 answers given this surely, {some} right.")
    if not sure:
        another = "home note" if home_only else "key"
        words.append(f"Not sure: it may be {best}, and it may well be {runner_up} or another {another}.")
    return words


def _percent(p: float) -> str:
    return "less than 1%" if p < 0.005 else "more than 99%" if p > 0.995 else f"{p:.0%}"


def _describe_notes(
    piece: NoteTable, ranked: list[tuple[Key, float]], words: list[str], sure: bool, more: list[str]
) -> Evidence:
    """Collect the evidence for one piece of notes."""
    best = ranked[0][0]
    pc = pitch_classes(piece)
    degrees = (pc - best.tonic) % 12
    n = len(degrees)
    scale_fit = {mode_in_text(m): (int(SCALES[m][degrees].sum()), n) for m in range(N_MODES)}
    if not n:
        words = [*words, "No notes were heard: this is only what is common.", *more]
        return Evidence(ranked, scale_fit, [], None, None, words, sure=sure)
    strange = np.flatnonzero(~SCALES[best.mode][degrees])
    named = strange[:_MOST_OUTSIDE]
    outside = [(float(piece.onset[i]), spelled(int(pc[i]), best)) for i in named]
    in_bars = _in_bars(piece, named)
    places = in_bars or [f"{piece.onset[i]:g}" for i in named]
    edges = [int(edge_note(piece, last)[0]) for last in (False, True)]
    first, last = (spelled(edge, best) for edge in edges)
    first_is, last_is = (degree_name(edge, best) for edge in edges)
    if n < len(SCALE_STEPS[0]):
        words.append(f"Only {_NUMBERS[n]} {'note was' if n == 1 else 'notes were'} heard; a scale has seven.")
    inside = scale_fit[best.mode_name][0]
    words.append(
        f"{inside} of {n} {'note lies' if n == 1 else 'notes lie'} in the scale of {best}; "
        f"it opens on {first} ({_the(first_is)}) and ends on {last} ({_the(last_is)})."
    )
    if outside:
        rest = f" and {len(strange) - _MOST_NAMED} more" if len(strange) > _MOST_NAMED else ""
        joint = "; " if in_bars else ", "
        listed = joint.join(
            f"{name} {'in' if in_bars else 'at'} {place}"
            for (_, name), place in zip(outside[:_MOST_NAMED], places, strict=False)
        )
        unit = "" if in_bars else f" (onsets in {_UNITS[piece.unit]})"
        words.append(f"Outside that scale: {listed}{rest}{unit}.")
    counts = note_counts(piece)[0].astype(np.int64)
    rival = _rival(best, ranked[1][0], counts, *_homes(piece, best, ranked[1][0]))
    words += [*_why_it_lost(best, rival, f"of {n} {'note' if n == 1 else 'notes'}"), *more]
    return Evidence(ranked, scale_fit, outside, first, last, words, places, first_is, last_is, rival, sure, n)


def _describe_chroma(piece: ChromaTable, ranked: list[tuple[Key, float]], words: list[str], sure: bool) -> Evidence:
    """Collect the evidence for one recording, which has energies instead of notes."""
    best, runner_up = ranked[0][0], ranked[1][0]
    heard = chroma_weights(piece)[0]
    total = heard.sum()
    if total == 0:
        words = [*words, "Nothing was heard: this is only what is common."]
        return Evidence(ranked, {mode_in_text(m): (0, 0) for m in range(N_MODES)}, [], None, None, words, sure=sure)
    share = 100.0 * heard / total
    by_degree = np.roll(share, -best.tonic)
    fit = {mode_in_text(m): (round(float(by_degree[SCALES[m]].sum())), 100) for m in range(N_MODES)}
    strongest = spelled(int(heard.argmax()), best)
    words = [
        *words,
        f"{fit[best.mode_name][0]} % of the energy lies in the scale of {best}; the strongest note is {strongest}.",
    ]
    rival = _rival(best, runner_up, np.round(share).astype(np.int64), *_homes_in_chroma(piece, best, runner_up))
    words += _why_it_lost(best, rival, "% of the energy")
    return Evidence(ranked, fit, [], None, None, words, rival=rival, sure=sure, n_heard=len(piece.time))


def _rival(best: Key, other: Key, heard: npt.NDArray[np.int64], for_answer: list[str], for_rival: list[str]) -> Rival:
    """Collect why the runner-up lost, from how much of each pitch class was heard, shape (12,)."""
    how = RELATIONS[int(relation(best.index, other.index))]
    ours, theirs = set(best.scale().tolist()), set(other.scale().tolist())
    needs = [(spelled(pc, other), int(heard[pc])) for pc in map(int, other.scale()) if pc not in ours]
    lacks = [(spelled(pc, best), int(heard[pc])) for pc in map(int, best.scale()) if pc not in theirs]
    return Rival(other, how, needs, lacks, for_answer, for_rival)


def _homes(piece: NoteTable, best: Key, other: Key) -> tuple[list[str], list[str]]:
    """Say what speaks for either home note: ends, strong beats, length, repetition."""
    speaking: tuple[list[str], list[str]] = ([], [])
    if best.tonic == other.tonic:
        return speaking
    pc = pitch_classes(piece)
    for last, verb in ((True, "ends"), (False, "opens")):
        edge = int(edge_note(piece, last)[0])
        for side, key in zip(speaking, (best, other), strict=True):
            if edge == key.tonic:
                side.append(f"it {verb} on {key.tonic_name}")
    strong = pc[piece.accent >= STRONG]
    if len(strong):
        ours, theirs = (int((strong == key.tonic).sum()) for key in (best, other))
        _compare(
            speaking,
            best,
            other,
            ours,
            theirs,
            f"falls on {{}} of {len(strong)} strong beat{'s' * (len(strong) != 1)}",
            "on {}",
        )
    held = duration_weights(piece)[0]
    ours, theirs = (round(100 * held[key.tonic] / held.sum()) for key in (best, other))
    _compare(speaking, best, other, ours, theirs, "sounds for {} % of the time", "for {} %")
    ours, theirs = (int((pc == key.tonic).sum()) for key in (best, other))
    _compare(speaking, best, other, ours, theirs, "comes {} times", "{} times")
    return speaking


def _homes_in_chroma(piece: ChromaTable, best: Key, other: Key) -> tuple[list[str], list[str]]:
    """Say what speaks for either home note in a recording in which something is heard: energy, and that of the bass."""
    speaking: tuple[list[str], list[str]] = ([], [])
    if best.tonic == other.tonic:
        return speaking
    heard, bass = chroma_weights(piece)[0], piece.bass.sum(axis=0, dtype=float)
    for what, energy in (("the energy", heard), ("the bass", bass)):
        share = 100.0 * energy / energy.sum() if energy.sum() > 0 else energy
        ours, theirs = (round(float(share[key.tonic])) for key in (best, other))
        _compare(speaking, best, other, ours, theirs, f"has {{}} % of {what}", "{} %")
    return speaking


def _compare(
    speaking: tuple[list[str], list[str]], best: Key, other: Key, ours: int, theirs: int, full: str, short: str
) -> None:
    """Add a comparison of the two home notes to the side for which it speaks; to neither if they are level."""
    if ours == theirs:
        return
    (side, winner, more), (loser, fewer) = (
        ((speaking[0], best, ours), (other, theirs)) if ours > theirs else ((speaking[1], other, theirs), (best, ours))
    )
    text = f"{winner.tonic_name} {full.format(more)}, {loser.tonic_name} {short.format(fewer)}"
    side.append(text.replace(" 2 times", " twice").replace(" 1 times", " once").replace(" 0 times", " never"))


def _why_it_lost(best: Key, rival: Rival, unit: str) -> list[str]:
    """Say how the runner-up stands to the answer, and what speaks for each."""
    words = []
    other = rival.key
    stands = _RELATION_WORDS[rival.relation]
    needed, lacking = (sum(count for _, count in notes) for notes in (rival.needs, rival.lacks))
    if rival.relation == "same scale notes":
        words.append(f"{other} has {stands}, so only the home note tells them apart.")
    else:
        words.append(
            f"{other} ({stands}) would need {_listed(_naturals(rival.needs, rival.lacks))}: "
            f"{_counted(rival.needs, unit)}; it has no {_listed(_naturals(rival.lacks, rival.needs), 'or')}: "
            f"{_counted(rival.lacks, unit)}."
        )
        if needed > lacking:
            words.append(f"Those notes alone speak rather for {other}.")
        elif needed == lacking:
            words.append("Those notes alone do not tell the two apart.")
    return words if best.tonic == other.tonic else [*words, *_for_each_home(rival, best)]


def _for_each_home(rival: Rival, best: Key) -> list[str]:
    """Say what speaks for the answer's home note and for the rival's."""
    words = []
    ours, theirs = best.tonic_name, rival.key.tonic_name
    if rival.for_answer:
        words.append(f"For {ours} as home rather than {theirs}: {'; '.join(rival.for_answer)}.")
    if rival.for_rival:
        words.append(f"For {theirs} as home: {'; '.join(rival.for_rival)}.")
    if not rival.for_answer and not rival.for_rival:
        words.append(f"Ends, strong beats, length and repetition do not tell {ours} from {theirs} as home.")
    return words


def _naturals(notes: list[tuple[str, int]], against: list[tuple[str, int]]) -> list[str]:
    """Name notes, as natural where the other scale has the same letter with a sharp or flat."""
    letters = {name[0] for name, _ in against if len(name) > 1}
    return [f"{name} natural" if len(name) == 1 and name in letters else name for name, _ in notes]


def _counted(notes: list[tuple[str, int]], unit: str) -> str:
    """Say how many of some notes were heard: each for a few, together for many."""
    if len(notes) > _MOST_SEPARATING:
        return f"together {sum(count for _, count in notes)} {unit}"
    return f"{_listed([str(count) for _, count in notes])} {unit}"


def _listed(parts: Sequence[str], joint: str = "and") -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} {joint} {parts[-1]}"


def _the(degree: str) -> str:
    return f"a {degree}" if degree.startswith("note") else f"the {degree}"


def _in_bars(piece: NoteTable, notes: npt.NDArray[np.int64]) -> list[str]:
    """Say in which bar and on which beat notes stand; empty where the metre is not known.

    Where times are not in quarters, only the bar is known.
    """
    begins, lengths = _bars(piece)
    if not len(notes) or not len(begins):
        return []
    bar = np.searchsorted(begins, piece.onset + 1e-3, side="right") - 1
    pickup = bar < 0
    length = lengths[np.maximum(bar, 0)]
    # Places in a pickup are counted back from the first bar line.
    within = piece.onset + 1e-3 - np.where(pickup, begins[0] - length, begins[np.maximum(bar, 0)])
    if piece.unit != "quarter":
        return [f"bar {bar[i] + 1}" for i in notes]
    beats = {
        size: _beat(within[(piece.accent == STRONG) & (length == size)], float(size)) for size in np.unique(length)
    }
    out = []
    for i in notes:
        beat = beats[length[i]]
        count = int(within[i] // beat)
        out.append(f"bar {bar[i] + 1}, {'' if within[i] - count * beat < 0.01 else 'after '}beat {count + 1}")
    return out


_USUAL_SHARE = 0.25  # of the distances between bar lines: one so common is a bar of its own, and not two


def _bars(piece: NoteTable) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return where bars begin and how long they are; empty where fewer than two notes open a bar.

    A bar line on which no note begins leaves a distance of several usual bars. Any other distance is one bar: the metre
    changes there. A rare short first one is a pickup, before bar 1; two that make up a usual bar, as where a part ends
    early and the next one has a pickup, are one bar.
    """
    at = np.unique(np.round(piece.onset[piece.accent == DOWNBEAT], 4))
    if len(at) < 2:
        return np.zeros(0), np.zeros(0)
    usual, rare = _usual_bar(np.diff(at))
    short = rare & (np.diff(at) < 0.98 * usual)
    kept = np.ones(len(at), dtype=bool)
    kept[0] = len(at) == 2 or not short[0]
    for k in np.flatnonzero(short[:-1] & short[1:]) + 1:
        kept[k] = not kept[k - 1] or abs(at[k + 1] - at[k - 1] - usual) > 0.02 * usual
    at = at[kept]
    gaps = np.diff(at)
    usual, rare = _usual_bar(gaps)
    count = np.maximum(np.round(gaps / usual), 1.0)
    count = np.where((np.abs(gaps / usual - count) < 0.05) & rare, count, 1.0).astype(np.int64)
    lengths = np.round(np.repeat(gaps / count, count), 3)
    begins = np.repeat(at[:-1], count) + np.concatenate([np.arange(k) for k in count]) * lengths
    # From the last bar line on, bars go on as the usual one.
    more = int(max((piece.onset[-1] - at[-1] + 1e-3) // usual, 0)) + 1
    return np.append(begins, at[-1] + usual * np.arange(more)), np.append(lengths, np.full(more, usual))


def _usual_bar(gaps: npt.NDArray[np.float64]) -> tuple[float, npt.NDArray[np.bool_]]:
    """Return the usual distance between bar lines, and which distances are rare."""
    usual = float(np.median(np.round(gaps, 2)))
    alike = np.abs(gaps[:, None] - gaps) < 0.02 * usual
    return usual, (alike.mean(axis=1) < _USUAL_SHARE) | (alike.sum(axis=1) == 1)


def _beat(strong: npt.NDArray[np.float64], length: float) -> float:
    """Return the length of a beat in quarters, from where strong notes stand within bars and how long these are.

    Three eighths where strong notes stand there (as in six eighths), else a quarter, or an eighth where bars do not
    hold whole quarters.
    """
    in_eighths = np.unique(np.round(2 * strong).astype(np.int64))
    if len(in_eighths) and (in_eighths % 3 == 0).all() and round(2 * length) % 3 == 0 and (in_eighths % 2).any():
        return 1.5
    return 1.0 if abs(length - round(length)) < 0.05 else 0.5
