"""Annotated popular songs: the bass line that their chords imply, home notes over time, chroma of the recordings.

A manifest whose labels name home notes gets these; one whose labels name major or minor gets the family besides, which
is derived from the chords on the home note.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import PurePosixPath

from keybench.corpora.grouping import title_key
from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import chord_lines, chroma_csv
from keybench.corpora.readers.reading import Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.key import HAS_MINOR_THIRD, MAJOR, MINOR, Key, keys_on

CLEAR = 2 / 3
"""Part of the time of the chords on the home note that one third must exceed for a family to be derived."""

UNIT = "second"
NEEDS = ""


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """One song per annotation, with the chroma of the same number; see `keybench.corpora.sources.base.Source`."""
    derive = manifest.label_space == "major-minor"
    chroma: dict[str, bytes] = {}
    songs: dict[str, str] = {}
    for name in files:
        number = PurePosixPath(name).parent.name
        if name.endswith(".txt"):
            songs[number] = name
        elif "chroma" in PurePosixPath(name).name:
            chroma[number] = files[name]
    return [Document(number, name, (files[name], chroma.get(number), derive)) for number, name in songs.items()], []


def read_notes(document: Document) -> Reading:
    """Read the bass line and the chroma."""
    chords, chroma, _ = document.data
    reading = chord_lines.read_notes(chords)
    return reading if chroma is None else replace(reading, chroma=chroma_csv.read_chroma(chroma))


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Read the home notes; a song that changes home is labelled with the first, and accepts each.

    Whether the chords on the home note are major or minor is derived: only a stratum, unless the manifest asks for it.
    """
    chords, chroma, derive = document.data
    spans = chord_lines.read_tonics(chords)
    artist, title = chord_lines.read_artist_title(chords)
    family = chord_lines.read_family(chords)
    homes = list(dict.fromkeys(span.tonic for span in spans))
    label: Label | None = Label(homes[0])
    accepted = tuple(key for home in homes for key in keys_on(home))
    if derive:
        clear = chord_lines.read_family(chords, CLEAR)
        label = Label(homes[0], MAJOR if clear == "major" else MINOR) if clear else None
        accepted = tuple(key for key in accepted if _third(key) == clear)
    return Facts(
        label,
        accepted=accepted,
        spans=tuple(spans),
        related={"work": (f"{title_key(artist)} {title_key(title)}",)},
        strata=(
            f"derived family: {family or 'neither'}",
            "one home note" if len(homes) == 1 else "home note changes",
        ),
        remark=_remark(label, chroma),
    )


def _third(key: Key) -> str:
    return "minor" if HAS_MINOR_THIRD[key.mode] else "major"


def _remark(label: Label | None, chroma: bytes | None) -> str:
    if label is None:
        return "the chords on the home note are neither clearly major nor clearly minor"
    return "" if chroma is not None else "no chroma of its recording"
