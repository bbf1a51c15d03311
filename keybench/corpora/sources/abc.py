"""ABC tune books: several tunes in a file, each labelled by its ``K:`` line."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import PurePosixPath

from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import abc
from keybench.corpora.readers.reading import Reading
from keybench.corpora.sources.base import Document, Facts, Label

UNIT = "quarter"
NEEDS = ""


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """Cut files into tunes; see `keybench.corpora.sources.base.Source`."""
    found: list[Document] = []
    without = []
    seen: dict[str, int] = {}
    for name, data in files.items():
        tunes = abc.split_tunes(abc.decode(data))
        if not tunes:
            without.append((name, "no tune in it; accepted: ABC tunes that start with X:"))
        for number, tune in tunes:
            piece = f"{PurePosixPath(name).stem}/{number or '?'}"
            seen[piece] = seen.get(piece, 0) + 1
            found.append(Document(piece if seen[piece] == 1 else f"{piece}.{seen[piece]}", name, tune))
    return found, without


def read_notes(document: Document) -> Reading:
    """Read the notes of a tune."""
    with abc.quiet_stdout():
        return Reading(abc.read_notes(document.data))


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Read the ``K:`` line and the titles."""
    key = abc.read_key(document.data)
    return Facts(Label(key.tonic, key.mode), related={"title": tuple(abc.read_titles(document.data))})
