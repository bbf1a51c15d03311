"""Measure the figures that keybench promises, all in one run on one machine.

    python experiments/benchmark.py [--tunes 1000] [--out benchmark.json]

Needs the corpora extra. It takes a few minutes and prints a table: accuracy and recall of the default experiment; the
time of the whole default run with a cold and a warm cache against music21 parsing and analysing tunes of the same
collections on one core; and profile correlation on ready notes against music21's ``analyze('key')``.

Speed is given as a ratio against music21, both timed here; single seconds depend on the machine.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from keybench import corpora
from keybench.corpora import read_manifest
from keybench.corpora.locate import locate
from keybench.corpora.readers import abc
from keybench.estimators import make
from keybench.notes import NoteTable, Piece

TARGETS = {
    "exact, best method": (">=", 0.93),
    "home note, best method": (">=", 0.945),
    "mean recall over four modes, at exact >= .92": (">=", 0.76),
    "default run, cold, as a share of music21 on 1,000 tunes": ("<", 1.0),
    "default run, warm, as a share of music21 on 1,000 tunes": ("<", 1.0 / 3.0),
    "profile correlation in batch, times faster than music21": (">=", 200.0),
    "profile correlation one by one, times faster than music21": (">=", 20.0),
}
FOUR_MODES = ("major", "minor", "dorian", "mixolydian")


def timed_run(cache: Path, out: Path) -> float:
    """Run the default experiment in a new process; seconds from start to finish."""
    start_it = "from keybench.cli import main; main()"
    command = [sys.executable, "-c", start_it, "run", "--quiet", "--jobs", "2", "--out", str(out)]
    start = time.perf_counter()
    subprocess.run(command, check=True, env={**os.environ, "KEYBENCH_CACHE": str(cache)}, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def accuracy(out: Path) -> dict[str, float]:
    """Read the promised figures off the scores of a run."""
    scores = json.loads((out / "scores.json").read_text())["scores"]
    table: dict[str, dict[str, float]] = {}
    for row in scores:
        if row["corpus"] == row["stratum"] == "all":
            table.setdefault(row["estimator"], {})[row["metric"]] = row["value"]
    recalls = {name: np.mean([s[f"recall_{mode}"] for mode in FOUR_MODES]) for name, s in table.items()}
    accurate = [name for name, s in table.items() if s["exact"] >= 0.92]
    return {
        "exact, best method": max(s["exact"] for s in table.values()),
        "home note, best method": max(s["tonic"] for s in table.values()),
        "mean recall over four modes, at exact >= .92": max((recalls[name] for name in accurate), default=0.0),
    }


def sample_tunes(n: int) -> list[str]:
    """Return the texts of n tunes, drawn from the default experiment's collections with a fixed seed."""
    tunes = []
    for name in ("aird", "oneill", "ryan"):
        manifest = read_manifest(name)
        located = locate(manifest, manifest.origin)
        for path in located.paths:
            tunes += [text for _, text in abc.split_tunes(abc.decode((located.root / path).read_bytes()))]
    return random.Random(0).sample(tunes, min(n, len(tunes)))


def music21_times(tunes: list[str]) -> tuple[float, float, list[Any]]:
    """Parse and analyse tunes with music21; seconds for parsing, seconds for analysing, and the streams."""
    from music21 import converter

    parsing = analysing = 0.0
    streams = []
    for tune in tunes:
        a = time.perf_counter()
        stream = converter.parseData(tune, format="abc")
        b = time.perf_counter()
        stream.analyze("key")
        parsing, analysing = parsing + b - a, analysing + time.perf_counter() - b
        streams.append(stream)
    return parsing, analysing, streams


def profile_speed(streams: list[Any], seconds_each: float) -> dict[str, float]:
    """Time profile correlation on the notes that music21 read, in batch and one tune at a time."""
    pieces = []
    for stream in streams:
        notes = [(float(n.offset), float(n.quarterLength), p.midi) for n in stream.flatten().notes for p in n.pitches]
        onset, duration, pitch = np.array(notes, dtype=float).reshape(-1, 3).T
        pieces.append(Piece(onset, duration, pitch))
    table = NoteTable.from_pieces(pieces)
    everything = corpora.load("aird")
    model = make("krumhansl-kessler").fit(everything.notes, everything.truth)
    with threadpool_limits(limits=1):  # one core on both sides
        batch = min(_timed(lambda: model.predict(table.detach())) for _ in range(5)) / len(table)
        singles = [[table[i].detach() for i in range(len(table))] for _ in range(3)]  # nothing computed before
        single = min(_timed(lambda tunes=tunes: [model.predict(t) for t in tunes]) for tunes in singles) / len(table)
    print(
        f"per tune: music21 analyze('key') {1e3 * seconds_each:.2f} ms, ours in batch {1e6 * batch:.1f} us, "
        f"one by one {1e6 * single:.0f} us"
    )
    return {
        "profile correlation in batch, times faster than music21": seconds_each / batch,
        "profile correlation one by one, times faster than music21": seconds_each / single,
    }


def _timed(call: Any) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--tunes", type=int, default=1000, help="tunes for music21 (fewer are scaled up to 1,000)")
    parser.add_argument("--out", type=Path, help="write the figures to this JSON file")
    arguments = parser.parse_args()
    measured: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        cache, out = Path(folder) / "cache", Path(folder) / "run"
        cold = timed_run(cache, out)
        warm = min(timed_run(cache, out) for _ in range(2))
        measured |= accuracy(out)
    tunes = sample_tunes(arguments.tunes)
    parsing, analysing, streams = music21_times(tunes)
    thousand = (parsing + analysing) * 1000 / len(tunes)
    print(f"default run: {cold:.1f} s cold, {warm:.1f} s warm; music21: {thousand:.1f} s for 1,000 tunes on one core")
    measured["default run, cold, as a share of music21 on 1,000 tunes"] = cold / thousand
    measured["default run, warm, as a share of music21 on 1,000 tunes"] = warm / thousand
    measured |= profile_speed(streams, analysing / len(tunes))
    reached = True
    for name, (sign, target) in TARGETS.items():
        value = measured[name]
        good = value >= target if sign == ">=" else value < target
        reached &= bool(good)
        print(f"{name:60s} {value:10.4f}  ({sign} {target:.4g})  {'reached' if good else 'NOT REACHED'}")
    if arguments.out:
        arguments.out.write_text(json.dumps(measured, indent=1) + "\n")
    return 0 if reached else 1


if __name__ == "__main__":
    sys.exit(main())
