"""Every way of building the hidden Markov model keeps the public contract, also when it answers with keys over time."""

from itertools import pairwise

import numpy as np
import pytest

from keybench.estimators import checks
from keybench.estimators.features import extent
from keybench.estimators.hmm import KeyHMM
from keybench.key import N_MODES
from keybench.notes import NoteTable
from keybench.spans import SpanTable


@pytest.mark.slow
@pytest.mark.parametrize(
    "parameters",
    [
        {"emission": "presence", "em_steps": 1},
        {"emission": "shares", "whole": "path", "decode": "viterbi"},
        {"emission": "krumhansl-kessler", "whole": "occupancy", "em_steps": 1},
    ],
)
def test_variants_keep_the_contract(parameters):
    outcome = checks.run_checks(KeyHMM(**parameters))
    assert not outcome.failed, str(outcome)
    assert outcome.n_run >= 16


@pytest.fixture(scope="module")
def music():
    """Tunes joined in pairs, so that each has two keys."""
    notes, truth, _ = checks.small_corpus(60, seed=3)
    end = extent(notes)[1]
    pieces, spans = [], []
    for i in range(0, len(notes), 2):
        first, second = notes[i].detach(), notes[i + 1].detach()
        both = np.concatenate([first.onset, second.onset + end[i]])
        table = NoteTable.from_notes(
            np.concatenate([first.pitch, second.pitch]), np.concatenate([first.duration, second.duration]), both
        )
        pieces.append(table)
        keys = truth[i : i + 2].argmax(axis=1)
        spans.append(
            [
                (0.0, end[i], keys[0] % 12, keys[0] // 12),
                (end[i], end[i] + end[i + 1], keys[1] % 12, keys[1] // 12),
            ]
        )
    return NoteTable.concatenate(pieces), SpanTable.from_spans(spans)


def said(model, table):
    return [[(span.start, span.end, span.key) for span in answer] for answer in model.segment(table)]


@pytest.mark.parametrize("decode", ["posterior", "viterbi"])
def test_keys_over_time_keep_the_contract(music, decode):
    table, spans = music
    model = KeyHMM(decode=decode).fit_sections(table, spans)
    answers = said(model, table)
    for answer, start, end in zip(answers, *extent(table), strict=True):
        assert (answer[0][0], answer[-1][1]) == (start, end)
        assert all(a[1] == b[0] and a[2] != b[2] for a, b in pairwise(answer))
    for k in (1, 7, -4):
        moved = [[(a, b, 12 * (key // 12) + (key + k) % 12) for a, b, key in answer] for answer in answers]
        assert said(model, table.transpose(k)) == moved
    for factor in (0.5, 4.0):
        other = table.replace(onset=table.onset * factor, duration=table.duration * factor)
        assert said(model, other) == [[(factor * a, factor * b, key) for a, b, key in answer] for answer in answers]
    assert [said(model, table[i].detach())[0] for i in range(len(table))] == answers
    np.testing.assert_array_equal(KeyHMM(decode=decode).fit_sections(table, spans).log_moves_, model.log_moves_)
    odd = NoteTable.from_pieces(list(checks._odd_pieces().values()))
    with np.errstate(all="raise", under="ignore"):
        for answer in model.segment(odd):
            assert all(0 <= span.key < 12 * N_MODES and span.end > span.start for span in answer)
