"""What sources with one piece per file share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import PurePosixPath

from keybench.corpora.sources.base import Document


def distinct(documents: list[Document]) -> list[Document]:
    """Return the documents with names that are all different: those that share one are named by their whole path."""
    counts = Counter(document.piece for document in documents)
    return [
        document if counts[document.piece] == 1 else replace(document, piece=PurePosixPath(document.file).as_posix())
        for document in documents
    ]


def one_per_file(files: Mapping[str, bytes]) -> tuple[list[Document], list[tuple[str, str]]]:
    """Return a document for each file, named by its stem or, where stems recur, by its path."""
    return distinct([Document(PurePosixPath(name).stem, name, data) for name, data in files.items()]), []
