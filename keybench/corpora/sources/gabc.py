"""Plainchant: a melody per file, labelled by the church mode in its header."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import gabc
from keybench.corpora.readers.reading import Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.corpora.sources.files import one_per_file

UNIT = "quarter"
NEEDS = ""


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """One chant per file; see `keybench.corpora.sources.base.Source`."""
    return one_per_file(files)


def read_notes(document: Document) -> Reading:
    """Read the melody."""
    return gabc.read_notes(document.data)


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Read mode, name and kind of chant.

    The number of a mode does not say whether the chant is written at the regular final or at the affinal; the last note
    does, and where it is neither, both are accepted.
    """
    mode = gabc.read_mode(document.data)
    if mode is None:
        return Facts(None, remark="no mode in the header; accepted: mode: 1 to 8")
    final = None if reading is None or not len(reading.notes.pitch) else int(np.round(reading.notes.pitch[-1])) % 12
    accepted = gabc.accepted_keys(mode, final)
    name, office = gabc.read_name(document.data), gabc.read_office(document.data)
    return Facts(
        Label(accepted[0].tonic, accepted[0].mode),
        accepted=tuple(accepted),
        related={"title": (name,) if name else ()},
        strata=(f"kind: {office.strip().lower()}",) if office else (),
    )
