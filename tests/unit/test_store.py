"""Writing what a run leaves: JSON with a row to a line says what the same JSON says otherwise."""

import json

import numpy as np

from keybench.runs import store


def test_a_row_to_a_line_reads_back_the_same(tmp_path):
    rows = [{"metric": "exact", "value": 0.5, "n": np.int64(3)}, {"metric": "ä", "value": float("nan"), "n": 0}]
    for name in ("", "scores"):
        store.write_json(tmp_path / "x.json", {"schema": 3, "scores": rows}, rows=name)
        text = (tmp_path / "x.json").read_text(encoding="utf-8")
        assert json.loads(text) == {
            "schema": 3,
            "scores": [{"metric": "exact", "value": 0.5, "n": 3}, {"metric": "ä", "value": None, "n": 0}],
        }
    assert sum("metric" in line for line in text.splitlines()) == len(rows)
    store.write_json(tmp_path / "x.json", {"schema": 3, "scores": []}, rows="scores")
    assert json.loads((tmp_path / "x.json").read_text()) == {"schema": 3, "scores": []}
