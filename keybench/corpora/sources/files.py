"""What sources with one piece per file share."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import PurePosixPath

from keybench.corpora.sources.base import Document


def one_per_file(files: Mapping[str, bytes]) -> tuple[list[Document], list[tuple[str, str]]]:
    """Return a document for each file, named by its stem or, where stems recur, by its folder and stem."""
    stems = [PurePosixPath(name).stem for name in files]
    twice = {stem for stem in stems if stems.count(stem) > 1} if len(set(stems)) < len(stems) else set()
    found = []
    for (name, data), stem in zip(files.items(), stems, strict=True):
        path = PurePosixPath(name)
        found.append(Document(f"{path.parent.as_posix()}/{stem}" if stem in twice else stem, name, data))
    return found, []
