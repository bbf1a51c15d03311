"""Scores as note tables with local and global keys: a piece per file, in a folder per collection."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import PurePosixPath

from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import note_table
from keybench.corpora.readers.reading import Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.corpora.sources.files import distinct

UNIT = "quarter"
NEEDS = ""


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """One piece per file, named by its folder and file; see `keybench.corpora.sources.base.Source`."""
    found = []
    for name, data in files.items():
        path = PurePosixPath(name)
        found.append(Document(f"{path.parent.name}/{_number(path.name)}".lstrip("/"), name, data))
    return distinct(found), []


def _number(name: str) -> str:
    """Return the part of a file's name that numbers the piece, without the title that may follow it."""
    stem = name.removesuffix(".gz").removesuffix(".tsv")
    return match[0] if (match := re.match(r".*\d[^ _]*", stem)) else stem


def read_notes(document: Document) -> Reading:
    """Read the notes."""
    return note_table.read_notes(document.data)


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Read the key of the whole and the local keys."""
    collection = PurePosixPath(document.file).parent.name
    key = note_table.read_global_key(document.data)
    return Facts(
        None if key is None else Label(*key),
        spans=tuple(note_table.read_local_keys(document.data)),
        related={"composer": (composer(collection),), "work": (f"{collection}/{document.piece}",)},
        strata=(f"collection: {collection}",),
        remark="no key of the whole piece" if key is None else "",
    )


_NOT_A_COMPOSER = ("c", "cpe", "jc", "wf")  # first names that tell apart people of one family name
_ALIASES = {"ABC": "beethoven", "kleine": "schuetz"}


def composer(collection: str) -> str:
    """Return who wrote a collection, from its folder's name: the first word, with the initials that tell kin apart."""
    words = collection.split("_")
    first = _ALIASES.get(words[0], words[0])
    return "_".join(words[:2]) if first in _NOT_A_COMPOSER and len(words) > 1 else first
