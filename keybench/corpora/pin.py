"""For authors of manifests: measure the hashes and counts that a manifest states and write them into it.

``python -m keybench.corpora.pin ID`` reads the files at hand, writes their SHA-256 into the list that the manifest
names and replaces the manifest's ``[counts]`` table by what was measured. Read the difference before you commit it.
"""

from __future__ import annotations

import os
import re
import sys
from collections import Counter
from pathlib import Path

from keybench.corpora.corpus import Corpus
from keybench.corpora.hashes import hash_file, write_hashes
from keybench.corpora.loading import load
from keybench.corpora.locate import locate
from keybench.corpora.manifest import MODE_NOT_GIVEN, Manifest, read_manifest
from keybench.key import MODES, NO_MODE
from keybench.resources import shipped


def counts(corpus: Corpus) -> dict[str, int | dict[str, int]]:
    """Return what a manifest's ``[counts]`` table states, as measured."""
    by_mode = Counter(MODE_NOT_GIVEN if mode == NO_MODE else MODES[mode] for mode in corpus.mode)
    left_out = sum(problem.kind == "left out" for problem in corpus.problems)
    return {
        "pieces": len(corpus) + left_out,
        "labelled": len(corpus),
        "with_local_keys": int((corpus.spans.n_rows > 0).sum()),
        "modes": {mode: by_mode[mode] for mode in (*MODES, MODE_NOT_GIVEN) if by_mode[mode]},
    }


def pin(path: Path) -> None:
    """Write hashes and counts for the manifest at `path`."""
    manifest = read_manifest(str(path))
    _write_hashes(manifest)
    corpus = load(str(path), n_jobs=os.cpu_count() or 1)
    found = counts(corpus)
    modes = found.pop("modes")
    assert isinstance(modes, dict)
    lines = ["[counts]", *(f"{name} = {n}" for name, n in found.items())]
    if manifest.at_origin != manifest.pieces:
        lines.append(f"at_origin = {manifest.at_origin}")
    quoted = (f'"{mode}" = {n}' if " " in mode else f"{mode} = {n}" for mode, n in modes.items())
    lines.append(f"modes = {{ {', '.join(quoted)} }}")
    text = re.sub(r"(?ms)^\[counts\].*?(?=^\[|\Z)", "\n".join(lines) + "\n", path.read_text(encoding="utf-8"))
    path.write_text(text, encoding="utf-8")


def _write_hashes(manifest: Manifest) -> None:
    for origin in filter(None, (manifest.origin, manifest.companion)):
        if origin.hashes:
            located = locate(manifest, origin)
            write_hashes(
                manifest.base / origin.hashes, {path: hash_file(located.root / path) for path in located.paths}
            )


if __name__ == "__main__":
    for name in sys.argv[1:]:
        pin(Path(name) if name.endswith(".toml") else shipped("datasets_manifest") / f"{name}.toml")
