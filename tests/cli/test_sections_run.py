"""An experiment on keys over time from the command line, on note tables made for it."""

import json
from itertools import pairwise

import numpy as np
import pyarrow.parquet as pq
import pytest

from keybench.key import SCALE_STEPS, Key, parse_key
from keybench.runs import store

FIFTHS = {pc: place for place in range(-5, 7) for pc in [7 * place % 12]}  # the line of fifths, C = 0
COLUMNS = (
    "quarterbeats_playthrough", "onset_div", "duration_div", "pitch", "staff", "voice",
    "localkey_tpc", "localkey_mode", "globalkey_tpc", "globalkey_mode",
)  # fmt: skip


def two_keys(i):
    """Keys of the halves of piece i: major and minor in turn, the second half a minor third up."""
    first = Key(i % 12, (0, 5)[i % 2])
    return first, first.transpose(3)


def note_table(i):
    """Sixteen bars of quarters in each of two keys; the first is the key of the whole."""
    first, second = two_keys(i)
    rng = np.random.default_rng(i)
    rows = ["\t".join(COLUMNS)]
    for n in range(128):
        key = first if n < 64 else second
        degree = int(rng.choice([0, 0, 0, 1, 2, 2, 3, 4, 4, 5, 6])) if n % 4 else 0
        pitch = 60 + key.tonic + int(SCALE_STEPS[key.mode][degree])
        local, whole = ((FIFTHS[k.tonic], "minor" if k.mode else "major") for k in (key, first))
        rows.append("\t".join(map(str, (n, n, 1, pitch, 1, 1, *local, *whole))))
    return "\n".join(rows) + "\n"


@pytest.fixture
def ran(keybench, tmp_path):
    """Run four methods on twelve pieces; return the result and the run directory."""
    for i in range(12):
        folder = tmp_path / "tables" / f"maker{i}_pieces"
        folder.mkdir(parents=True)
        (folder / f"{i:02}.tsv").write_text(note_table(i))
    (tmp_path / "mine.toml").write_text(
        '[origin]\nfolder = "tables"\nfiles = ["*/*.tsv"]\n[reader]\nformat = "note-table"\n'
        '[labels]\nspace = "major-minor"\n'
    )
    (tmp_path / "moves.toml").write_text(
        'schema = 1\nname = "moves"\nquestion = "Which follows?"\ntask = "sections"\ncorpora = ["mine.toml"]\n'
        'labels = "major-minor"\nestimators = ["most-common-key", "krumhansl-kessler", "sliding-window", "hmm"]\n'
        "[split]\nfolds = 3\n"
    )
    out = tmp_path / "run"
    result = keybench("run", tmp_path / "moves.toml", "--out", out, "--quiet", "--jobs", "2")
    assert result.exit_code == 0, result.output
    return result, out


def test_keys_over_time_from_end_to_end(ran):
    result, out = ran
    assert "moves: 12 pieces in 12 groups" in result.stdout
    assert "shares of the labelled time" in result.stdout

    rows = pq.read_table(out / store.PREDICTIONS).to_pandas()
    assert len(rows) == 48
    assert (rows["error"] == "").all()
    for row in rows.itertuples():
        number = int(row.piece.split("/")[-1])
        spans = [(span["start"], span["end"], parse_key(span["keys"])) for span in row.truth_sections]
        assert spans == [(0.0, 64.0, two_keys(number)[0]), (64.0, 128.0, two_keys(number)[1])]
        said = [(span["start"], span["end"]) for span in row.sections]
        assert (said[0][0], said[-1][1]) == (0.0, 128.0)
        assert all(a[1] == b[0] for a, b in pairwise(said))
        if row.estimator in ("most-common-key", "krumhansl-kessler"):
            assert len(said) == 1

    scores = {}
    for row in json.loads((out / store.SCORES).read_text(encoding="utf-8"))["scores"]:
        if row["corpus"] == "all":
            scores.setdefault(row["estimator"], {})[row["metric"]] = row
    for name in ("sliding-window", "hmm"):
        assert scores[name]["exact"]["value"] > 0.75  # one key for the whole is right half of the time at most
        assert scores[name]["boundary_recall"]["value"] > 0.5
    assert scores["krumhansl-kessler"]["exact"]["value"] <= 0.5
    assert scores["krumhansl-kessler"]["boundary_recall"]["value"] == 0.0
    assert scores["krumhansl-kessler"]["boundary_precision"]["n"] == 0  # it says no change
    for by_metric in scores.values():
        assert by_metric["log_loss"]["n"] == 0
        assert by_metric["log_loss"]["value"] is None

    for name in ("report.md", "index.html"):
        text = (out / name).read_text(encoding="utf-8")
        assert "Keys over time" in text
        assert "Changes of key" in text
        assert "What the wrong time is made of" in text
        assert "nan" not in text.lower().split()


def test_the_report_is_made_again_from_what_is_stored(ran, keybench):
    _, out = ran
    before = {name: (out / name).read_bytes() for name in (store.SCORES, "report.md", "index.html")}
    for name in before:
        (out / name).unlink()
    assert keybench("report", out).exit_code == 0
    assert {name: (out / name).read_bytes() for name in before} == before
