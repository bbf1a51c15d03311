"""On real tunes too, moving the music moves the answer: exact ties between keys are commoner there than one thinks."""

import importlib.util

import numpy as np
import pytest

from keybench import estimators

pytestmark = [
    pytest.mark.corpus,
    pytest.mark.skipif(importlib.util.find_spec("music21") is None, reason="the corpora extra is not installed"),
]


@pytest.fixture(scope="module")
def aird():
    from keybench.corpora import load

    return load("aird")


def by_cost():
    """All methods that take notes; those that take long to fit are left to the long tests."""
    names = [name for name in estimators.names() if estimators.make(name).tags.hears("notes")]
    heavy = {name for name in names if estimators.entry(name).simplicity >= 6}
    return [pytest.param(name, marks=pytest.mark.slow) if name in heavy else name for name in names]


@pytest.mark.parametrize("name", by_cost())
def test_answers_move_with_the_music(aird, name):
    model = estimators.make(name)
    if not model.tags.equivariant:
        pytest.skip("tagged as not equivariant")
    taught = slice(None, None, 12 if estimators.entry(name).simplicity >= 6 else 1)  # those take minutes for all tunes
    model.fit(aird.notes[taught], aird.truth[taught])
    tunes = aird.notes[::8].detach()
    answers = model.predict(tunes)
    assert len(answers) > 100
    assert np.array_equal(answers, model.predict_log_proba(tunes).argmax(axis=1))
    for k in (1, 5, -4):
        moved = model.predict(tunes.transpose(k))
        assert np.array_equal(moved, 12 * (answers // 12) + (answers % 12 + k) % 12)
