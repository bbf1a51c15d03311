"""Measure the promised figures about corpora: how many pieces load, how long all take cold and from the cache, memory.

    python experiments/benchmark_corpora.py [--out benchmark.json]

Takes every corpus that is on this machine (see KEYBENCH_DATA), reads it in a new process with an empty cache, and again
from the cache. Needs the corpora extra.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

TARGETS = {
    "smallest share of pieces that load, of any corpus": (">=", 0.95),
    "aligned chorale analyses, share": (">=", 0.90),
    "all corpora cold, seconds on two cores": ("<", 240.0),
    "all corpora from the cache, seconds": ("<", 3.0),
    "all corpora from the cache, peak memory in GB": ("<", 1.0),
}

LOAD = """
import json, resource, sys, time
from keybench.corpora import load, manifest_names, read_manifest
from keybench.corpora.status import NOT_HERE, presence
names = [n for n in manifest_names() if presence(read_manifest(n))[0] != NOT_HERE]
start = time.perf_counter()
loaded = {name: load(name, n_jobs=2) for name in names}
seconds = time.perf_counter() - start
memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
rows = {}
for name, corpus in loaded.items():
    kinds = [problem.kind for problem in corpus.problems]
    rows[name] = {
        "labelled": len(corpus),
        "unreadable": kinds.count("unreadable"),
        "left out": kinds.count("left out"),
        "with local keys": int((corpus.spans.n_rows > 0).sum()),
        "notes": len(corpus.notes.onset),
        "reasons": [problem.reason for problem in corpus.problems if problem.kind == "unreadable"],
        "remarks": [problem.reason for problem in corpus.problems if problem.kind == "remark"],
    }
print(json.dumps({"seconds": seconds, "gigabytes": memory, "corpora": rows}))
"""


def load_all(cache: Path) -> dict:
    """Load every corpus in a new process."""
    environment = {**os.environ, "KEYBENCH_CACHE": str(cache)}
    result = subprocess.run([sys.executable, "-c", LOAD], check=True, env=environment, stdout=subprocess.PIPE)
    return json.loads(result.stdout)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, help="write the figures to this JSON file")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        cold = load_all(Path(folder))
        warm = min((load_all(Path(folder)) for _ in range(2)), key=lambda run: run["seconds"])
    shares = {}
    for name, row in cold["corpora"].items():
        shares[name] = 1.0 - row["unreadable"] / max(row["labelled"], 1)
        print(f"{name:16s} {row['labelled']:6,} labelled, {row['unreadable']} of them unreadable, {row['left out']} "
              f"left out, {row['with local keys']:5,} with local keys, {row['notes']:10,} notes")  # fmt: skip
        for reason in row["reasons"]:
            print(f"    unreadable: {reason}")
    measured = {
        "smallest share of pieces that load, of any corpus": min(shares.values()),
        "all corpora cold, seconds on two cores": cold["seconds"],
        "all corpora from the cache, seconds": warm["seconds"],
        "all corpora from the cache, peak memory in GB": warm["gigabytes"],
    }
    if "chorales" in cold["corpora"]:
        row = cold["corpora"]["chorales"]
        with_analysis = row["with local keys"] + sum("does not fit" in remark for remark in row["remarks"])
        measured["aligned chorale analyses, share"] = row["with local keys"] / max(with_analysis, 1)
        print(f"chorales: {row['with local keys']} of {with_analysis} analyses aligned")
    reached = True
    for name, value in measured.items():
        sign, target = TARGETS[name]
        good = value >= target if sign == ">=" else value < target
        reached &= bool(good)
        print(f"{name:52s} {value:10.4f}  ({sign} {target:g})  {'reached' if good else 'NOT REACHED'}")
    if arguments.out:
        arguments.out.write_text(json.dumps({"measured": measured, "cold": cold, "warm": warm}, indent=1) + "\n")
    return 0 if reached else 1


if __name__ == "__main__":
    sys.exit(main())
