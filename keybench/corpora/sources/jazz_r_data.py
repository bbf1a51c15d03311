"""Jazz solos from three R data files: solo lines with an estimated bass, labelled by the collection's key."""

from __future__ import annotations

from collections.abc import Mapping

from keybench.corpora.manifest import Manifest
from keybench.corpora.readers import r_data
from keybench.corpora.readers.reading import Reading
from keybench.corpora.sources.base import Document, Facts, Label
from keybench.errors import ReadError
from keybench.key import NO_MODE

UNIT = "second"
NEEDS = "pyreadr"

_NOTES, _BEATS, _META = "wjd_transforms.rda", "wjd_annotated_beat_tracks.rda", "wjd_meta.rda"


def documents(
    manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
) -> tuple[list[Document], list[tuple[str, str]]]:
    """One solo per number that the three files share; see `keybench.corpora.sources.base.Source`."""
    by_name = {name.rsplit("/", 1)[-1]: name for name in files}
    lacking = [name for name in (_NOTES, _BEATS, _META) if name not in by_name]
    if lacking:
        return [], [(name, "missing, and the solos need it") for name in lacking]
    try:
        solos = r_data.read_solos(files[by_name[_NOTES]])
        bass = r_data.read_bass(files[by_name[_BEATS]])
        keys = r_data.read_keys(files[by_name[_META]])
        titles = r_data.read_titles(files[by_name[_META]])
    except ReadError as error:
        return [], [(by_name[_NOTES].rsplit("/", 1)[0], str(error))]
    return [
        Document(number, by_name[_NOTES], (r_data.merge(solo, bass.get(number)), keys.get(number), titles.get(number)))
        for number, solo in solos.items()
    ], []


def read_notes(document: Document) -> Reading:
    """Return the solo with its bass."""
    reading: Reading = document.data[0]
    return reading


def read_facts(document: Document, reading: Reading | None) -> Facts:
    """Return the key that the collection gives, and the titles."""
    _, key, titles = document.data
    if key is None:
        return Facts(None, remark="no key given")
    tonic, mode = key
    return Facts(Label(tonic, NO_MODE if mode is None else mode), related={"title": titles or ()})
