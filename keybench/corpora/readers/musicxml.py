"""MusicXML scores, plain or compressed (``.mxl``): notes through partitura.

Only what decides which notes sound, when and how long reaches partitura: pitches, durations, ties, bars, time
signatures and transpositions. Key signatures and their modes, chord symbols, words, lyrics, titles, part names, clefs
and accidentals as printed are never read (MusicXML spells every pitch out).

Choices:

- Repeats are not played out: the notes come as written. Grace notes, cue notes and notes without pitch are left out.
- Tied notes are one note; a chord symbol is no note.
- Parts are 0, 1, ... from the last of the file, which in scores is the lowest. None is marked as the bass: part names
  are free text.
"""

from __future__ import annotations

import io
import zipfile
from pathlib import PurePosixPath
from typing import Any

from keybench.corpora.readers.partitura_score import reading_of
from keybench.corpora.readers.reading import Reading
from keybench.errors import ReadError

_MAX_BYTES = 40_000_000
_CONTAINER = "META-INF/container.xml"
_KEPT_IN_NOTE = {"grace", "chord", "pitch", "rest", "duration", "tie", "voice"}
_KEPT_IN_ATTRIBUTES = {"divisions", "time", "transpose"}


def read_notes(data: bytes) -> Reading:
    """Read the notes and bars of a score.

    Parameters
    ----------
    data : bytes
        A ``.musicxml``, ``.xml`` or ``.mxl`` file.

    Returns
    -------
    Reading
        In quarter notes.

    Raises
    ------
    ReadError
        If partitura is not installed, or the file is too large, damaged, no partwise MusicXML, or has no notes.
    """
    try:
        from partitura import load_musicxml
    except ImportError:
        raise ReadError(
            "MusicXML needs the package partitura; install it with: pip install 'keybench[corpora]'"
        ) from None
    text = _score_text(data)
    try:
        score = load_musicxml(io.BytesIO(_music_only(text)), quiet=True)
        reading = reading_of(score.parts[::-1])
    except ReadError:
        raise
    except Exception as error:  # partitura raises whatever its own code meets
        raise ReadError(f"partitura made nothing of it ({_reason(error)}); accepted: partwise MusicXML") from None
    if reading is None:
        raise ReadError("no notes; accepted: a score with at least one note")
    return reading


def _score_text(data: bytes) -> bytes:
    """Return the score itself: the data, or what a compressed file holds."""
    if len(data) > _MAX_BYTES:
        raise ReadError(f"a file of {len(data):,} bytes; accepted: at most {_MAX_BYTES:,}")
    if data[:2] != b"PK":
        return data
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            root = _parse(_member(archive, _CONTAINER)).find(".//{*}rootfile")
            return _member(archive, "" if root is None else root.get("full-path", ""))
    except ReadError:
        raise
    except Exception:  # zipfile raises many kinds: bad structure, checksums, encryption, unknown compression
        raise ReadError("a damaged or encrypted .mxl file; accepted: a zip file with a MusicXML score") from None


def _member(archive: zipfile.ZipFile, name: str) -> bytes:
    """Return one file of an archive, refusing names that lead out of it and files that are too large."""
    path = PurePosixPath(name)
    if not name or path.is_absolute() or ".." in path.parts or "\\" in name:
        raise ReadError(f"the .mxl file names {name[:60]!r} as its score; accepted: a file within it")
    entry = archive.getinfo(name)
    if entry.file_size > _MAX_BYTES:
        raise ReadError(f"a score of {entry.file_size:,} bytes; accepted: at most {_MAX_BYTES:,}")
    with archive.open(entry) as file:
        return file.read(_MAX_BYTES)


def _parse(text: bytes) -> Any:
    """Return the root of an XML document; entities stay unresolved and nothing is fetched."""
    from lxml import etree

    parser = etree.XMLParser(resolve_entities=False, no_network=True, remove_comments=True, remove_pis=True)
    try:
        return etree.fromstring(text, parser)
    except (etree.XMLSyntaxError, ValueError, LookupError) as error:
        raise ReadError(f"no XML ({_reason(error)}); accepted: .musicxml, .xml or .mxl") from None


def _reason(error: Exception) -> str:
    """Return the beginning of what a library says about an error, on one line."""
    return " ".join(str(error).split())[:100]


def _music_only(text: bytes) -> bytes:
    """Return the score with nothing in it but what decides which notes sound, when and how long.

    Raises
    ------
    ReadError
        If it is no partwise score.
    """
    from lxml import etree

    root = _parse(text)
    if root.tag != "score-partwise":
        raise ReadError(f"an XML file of kind {root.tag[:40]!r}; accepted: score-partwise")
    bare = etree.Element("score-partwise")
    part_list = etree.SubElement(bare, "part-list")
    for number, part in enumerate(root.findall("part")):
        etree.SubElement(part_list, "score-part", id=f"P{number}")
        bare_part = etree.SubElement(bare, "part", id=f"P{number}")
        for measure in part.findall("measure"):
            bare_measure = etree.SubElement(bare_part, "measure", number=measure.get("number", ""))
            for element in list(measure):  # appending moves it
                if element.tag == "note":
                    if not _strip_note(element):
                        continue
                elif element.tag == "attributes":
                    _strip_attributes(element)
                elif element.tag not in ("backup", "forward"):
                    continue
                bare_measure.append(element)
        _close_ties(bare_part)
    return bytes(etree.tostring(bare))


def _strip_note(note: Any) -> bool:
    """Leave pitch, length and ties, and say whether anything is left.

    A cue note and a note without pitch become rests; in a chord they vanish.
    """
    silent = note.find("cue") is not None or note.find("unpitched") is not None
    for child in list(note):
        if child.tag not in _KEPT_IN_NOTE or (silent and child.tag in ("pitch", "tie")):
            note.remove(child)
    return not (silent and note.find("chord") is not None)


def _close_ties(part: Any) -> None:
    """Write the end of each tie at the next note of its pitch: some programs write only where ties begin.

    Partitura joins the two only if one begins when the other ends.
    """
    from lxml import etree

    open_ties: set[tuple[str | None, ...]] = set()
    for note in part.iter("note"):
        pitch = note.find("pitch")
        if pitch is None:
            continue
        name = (pitch.findtext("step"), pitch.findtext("alter", "0"), pitch.findtext("octave"))
        kinds = {tie.get("type") for tie in note.findall("tie")}
        if name in open_ties and "stop" not in kinds:
            etree.SubElement(note, "tie", type="stop")
        open_ties.discard(name)
        if "start" in kinds:
            open_ties.add(name)


def _strip_attributes(attributes: Any) -> None:
    """Leave divisions, time signature and transposition, with octaves counted as semitones."""
    for child in list(attributes):
        if child.tag not in _KEPT_IN_ATTRIBUTES:
            attributes.remove(child)
    for transpose in attributes.findall("transpose"):
        chromatic, octaves = transpose.find("chromatic"), transpose.findtext("octave-change")
        if chromatic is not None and octaves is not None:
            chromatic.text = str(int(chromatic.text) + 12 * int(octaves))
