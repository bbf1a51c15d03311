"""MIDI files, labelled by their key-signature events."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import midi
from keybench.corpora.readers.reading import LabelSpan, Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.corpora.sources.files import one_per_file

UNIT = "quarter"
NEEDS = ""


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """One piece per file; see `keybench.corpora.sources.base.Source`."""
    found, without = one_per_file(files)
    return [replace(document, data=(document.data, manifest.annotation_tracks)) for document in found], without


def read_notes(document: Document) -> Reading:
    """Read the notes of all tracks but drums and annotations."""
    data, annotation_tracks = document.data
    return midi.read_notes(data, annotation_tracks)


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Read the key signatures: the first is the label, and each is accepted for the whole."""
    events = midi.read_key_signatures(document.data[0])
    if not events:
        return Facts(None, remark="no key signature; accepted: at least one")
    notes = None if reading is None else reading.notes
    end = float((notes.onset + notes.duration).max()) if notes is not None and len(notes.onset) else events[-1][0]
    starts = [onset for onset, _ in events]
    spans = [
        LabelSpan(onset, until, key.tonic, key.mode)
        for (onset, key), until in zip(events, [*starts[1:], max(end, starts[-1])], strict=True)
    ]
    first = events[0][1]
    return Facts(
        Label(first.tonic, first.mode),
        accepted=tuple(dict.fromkeys(key for _, key in events)),
        spans=tuple(spans),
        strata=("one key signature" if len({key for _, key in events}) == 1 else "several key signatures",),
    )
