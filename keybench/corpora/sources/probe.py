"""The probe corpus: bass riffs made by the seeded generator of `keybench.corpora.probe`."""

from __future__ import annotations

from collections.abc import Mapping

from keybench.corpora import probe
from keybench.corpora.manifest import Manifest
from keybench.corpora.readers.reading import Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.key import Key

UNIT = "quarter"
NEEDS = ""
PER_MODE = 9
"""Riffs of each mode in each setting of the dials."""


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """Make the riffs of the origin's seed; see `keybench.corpora.sources.base.Source`."""
    return [Document(name, "", riff) for name, riff in probe.corpus(manifest.origin.seed, PER_MODE).items()], []


def read_notes(document: Document) -> Reading:
    """Return the riff."""
    return Reading(document.data.notes)


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Return what the riff was made to be."""
    riff: probe.Riff = document.data
    return Facts(
        Label(riff.tonic, riff.mode),
        accepted=riff.accepted,
        spans=riff.spans,
        strata=(f"dials: {riff.stratum}", _told_apart(riff)),
    )


def _told_apart(riff: probe.Riff) -> str:
    """Say after how many notes the mode can be told from its rival, the home note taken as known."""
    n = probe.first_telling_note(riff.notes, Key(riff.tonic, riff.mode), Key(riff.tonic, probe.RIVALS[riff.mode]))
    if n is None:
        return "mode never told from its rival"
    bins = ((4, "1 to 4"), (8, "5 to 8"), (16, "9 to 16"))
    return f"mode told from its rival after {next((text for most, text in bins if n <= most), '17 or more')} notes"
