"""Causes of wrong answers, against counts by hand."""

import numpy as np

from keybench.key import RELATIONS, parse_key
from keybench.scores.causes import CAUSES, FULL_SCALE, TOO_SHORT, first_cause, piece_causes, relations_by_cause


def keys(*names):
    return np.array([parse_key(name).index for name in names])


def test_what_is_the_matter_with_a_piece():
    found = piece_causes(
        doubtful=np.array([True, False, False, False, False]),
        n_notes=np.array([40, TOO_SHORT - 1, TOO_SHORT, 0, 40]),
        n_pitch_classes=np.array([7, 5, FULL_SCALE - 1, 0, 7]),
        n_keys=np.array([0, 1, 3, 2, 1]),
    )
    names = [[name for name, is_one in zip(CAUSES, row, strict=True) if is_one] for row in found]
    assert names == [
        ["label to look at"],
        ["too short", "gapped scale"],
        ["moves to other keys", "gapped scale"],
        ["moves to other keys"],  # of a recording neither notes nor scale are known
        [],
    ]
    assert first_cause(found).tolist() == [0, 1, 2, 2, len(CAUSES)]


def test_wrong_answers_by_cause_and_relation():
    causes = np.array([[1, 0, 0, 1], [0, 0, 0, 1], [0, 0, 0, 0], [0, 0, 0, 0]], dtype=bool)
    counts = relations_by_cause(
        causes, keys("G major", "G major", "A minor", "D Dorian"), keys("E minor", "D major", "A major", "D minor")
    )
    assert counts.sum() == 4
    assert counts[0, RELATIONS.index("same scale notes")] == 1
    assert counts[3, RELATIONS.index("fifth above")] == 1
    assert counts[len(CAUSES), RELATIONS.index("parallel")] == 2
