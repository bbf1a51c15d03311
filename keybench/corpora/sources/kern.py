"""Humdrum scores, labelled by their key designation."""

from __future__ import annotations

from collections.abc import Mapping

from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import kern
from keybench.corpora.readers.reading import Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.corpora.sources.files import one_per_file

UNIT = "quarter"
NEEDS = ""


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """One piece per file; see `keybench.corpora.sources.base.Source`."""
    return one_per_file(files)


def read_notes(document: Document) -> Reading:
    """Read the notes of all parts."""
    return kern.read_notes(document.data)


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Read the first key designation, and title and work."""
    key = kern.read_key(document.data)
    work = kern.read_work(document.data)
    return Facts(
        None if key is None else Label(key.tonic, key.mode),
        related={"title": tuple(kern.read_titles(document.data)), "work": (work,) if work else ()},
        remark="no key designation; accepted: a score with one, such as *g: or *G:dor" if key is None else "",
    )
