"""Humdrum scores with the analyst's keys in text spines, as in examples of modulation."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import PurePosixPath

from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import kern
from keybench.corpora.readers.reading import LabelSpan, Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.corpora.sources.files import distinct

UNIT = "quarter"
NEEDS = ""


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """One example per file, named by its folder and file; see `keybench.corpora.sources.base.Source`."""
    paths = {name: PurePosixPath(name) for name in files}
    found = [Document(f"{path.parent.name}/{path.stem}".lstrip("/"), name, files[name]) for name, path in paths.items()]
    return distinct(found), []


def read_notes(document: Document) -> Reading:
    """Read the notes of all parts."""
    return kern.read_notes(document.data)


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Read the keys of the text spines; an example of a modulation accepts the key that it leaves and that it reaches.

    The key designations of these files are never read: they are wrong in half of them.
    """
    keys = kern.read_text_keys(document.data)
    if not keys:
        return Facts(None, remark="no key in a text spine; accepted: such as C=>:I")
    notes = None if reading is None else reading.notes
    end = float((notes.onset + notes.duration).max()) if notes is not None else keys[-1][0]
    starts = [onset for onset, _ in keys]
    spans = tuple(
        LabelSpan(onset, until, key.tonic, key.mode)
        for (onset, key), until in zip(keys, [*starts[1:], max(end, starts[-1])], strict=True)
    )
    first, last = keys[0][1], keys[-1][1]
    return Facts(
        Label(first.tonic, first.mode),
        accepted=tuple(dict.fromkeys((first, last))),
        spans=spans,
        strata=(f"textbook: {document.piece.split('/')[0]}",),
    )
