"""MusicXML scores with romanText analyses: all keys from the analyses."""

from __future__ import annotations

from collections.abc import Mapping

from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import musicxml
from keybench.corpora.readers.reading import Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.corpora.sources.files import one_per_file
from keybench.corpora.sources.roman_analysis import fit, pair
from keybench.key import NO_MODE

UNIT = "quarter"
NEEDS = "partitura"


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """One piece per score that has an analysis; see `keybench.corpora.sources.base.Source`."""
    analyses = pair(files, companions)
    found, without = one_per_file({name: data for name, data in files.items() if name in analyses})
    return [Document(d.piece, d.file, (d.data, analyses[d.file])) for d in found], without


def read_notes(document: Document) -> Reading:
    """Read the notes of all parts."""
    return musicxml.read_notes(document.data[0])


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Read the analysis; the key that it ends in is the label, since a key signature says less."""
    fitted = fit(document.data[1], reading)
    if not fitted.spans:
        return Facts(None, remark=fitted.remark)
    last = fitted.spans[-1]
    return Facts(Label(last.tonic, NO_MODE if last.mode is None else last.mode), spans=fitted.spans)
