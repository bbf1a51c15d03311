"""Humdrum scores with romanText analyses: home notes from the scores, modes and local keys from the analyses."""

from __future__ import annotations

from collections.abc import Mapping

from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import kern
from keybench.corpora.readers.reading import Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.corpora.sources.files import one_per_file
from keybench.corpora.sources.roman_analysis import Fitted, fit, longest_mode, pair
from keybench.errors import ReadError
from keybench.key import NO_MODE

UNIT = "quarter"
NEEDS = ""


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """One piece per score, with its analysis; see `keybench.corpora.sources.base.Source`."""
    analyses = pair(files, companions)
    found, without = one_per_file(files)
    return [Document(d.piece, d.file, (d.data, analyses.get(d.file))) for d in found], without


def read_notes(document: Document) -> Reading:
    """Read the notes of all parts."""
    return kern.read_notes(document.data[0])


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Join both: the score's designation gives the home note, the analysis the mode that holds longest on it."""
    score, analysis = document.data
    key = kern.read_key(score)
    if key is None:
        return Facts(None, remark="no key designation; accepted: a score with one, such as *g:")
    fitted = Fitted(remark="no analysis: the home note is known, the mode is not")
    if analysis is not None:
        try:
            fitted = fit(analysis, reading)
        except ReadError as error:
            fitted = Fitted(remark=f"no local keys: the analysis cannot be read ({error})")
    mode = longest_mode(fitted.spans, key.tonic)
    return Facts(
        Label(key.tonic, NO_MODE if mode is None else mode),
        spans=fitted.spans,
        related={"title": tuple(kern.read_titles(score))},
        strata=("with analysis" if fitted.spans else "without analysis",),
        remark=fitted.remark,
    )
