"""Annotated popular songs: the bass line that their chords imply, home notes over time, chroma of the recordings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import PurePosixPath

from keybench.corpora.grouping import title_key
from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import chord_lines, chroma_csv
from keybench.corpora.readers.reading import Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.key import keys_on

UNIT = "second"
NEEDS = ""


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """One song per annotation, with the chroma of the same number; see `keybench.corpora.sources.base.Source`."""
    chroma: dict[str, bytes] = {}
    songs: dict[str, str] = {}
    for name in files:
        number = PurePosixPath(name).parent.name
        if name.endswith(".txt"):
            songs[number] = name
        elif "chroma" in PurePosixPath(name).name:
            chroma[number] = files[name]
    return [Document(number, name, (files[name], chroma.get(number))) for number, name in songs.items()], []


def read_notes(document: Document) -> Reading:
    """Read the bass line and the chroma."""
    chords, chroma = document.data
    reading = chord_lines.read_notes(chords)
    return reading if chroma is None else replace(reading, chroma=chroma_csv.read_chroma(chroma))


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Read the home notes; a song that changes home is labelled with the first, and accepts each.

    Whether the chords on the home note are major or minor is derived, and only a stratum.
    """
    chords, chroma = document.data
    spans = chord_lines.read_tonics(chords)
    artist, title = chord_lines.read_artist_title(chords)
    family = chord_lines.read_family(chords)
    homes = list(dict.fromkeys(span.tonic for span in spans))
    return Facts(
        Label(homes[0]),
        accepted=tuple(key for home in homes for key in keys_on(home)),
        spans=tuple(spans),
        related={"work": (f"{title_key(artist)} {title_key(title)}",)},
        strata=(
            f"derived family: {family or 'neither'}",
            "one home note" if len(homes) == 1 else "home note changes",
        ),
        remark="" if chroma is not None else "no chroma of its recording",
    )
