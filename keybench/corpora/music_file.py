"""The music of one file of one's own, without any label: for asking a method about it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from keybench.corpora.readers import abc, gabc, kern, midi, musicxml, note_table
from keybench.corpora.readers.reading import Reading
from keybench.errors import ReadError
from keybench.notes import NoteTable, Piece

_LARGEST = 50_000_000  # bytes


def _one(read: Callable[[bytes], Reading]) -> Callable[[bytes], list[tuple[str, Piece]]]:
    return lambda data: [("", read(data).notes)]


def _tunes(data: bytes) -> list[tuple[str, Piece]]:
    tunes = abc.split_tunes(abc.decode(data))
    if not tunes:
        raise ReadError("no tune; accepted: ABC with an X: line for each")
    with abc.quiet_stdout():
        return [(number, abc.read_notes(tune)) for number, tune in tunes]


_READERS: dict[str, Callable[[bytes], list[tuple[str, Piece]]]] = {
    ".abc": _tunes,
    ".gabc": _one(gabc.read_notes),
    ".krn": _one(kern.read_notes),
    ".mid": _one(midi.read_notes),
    ".midi": _one(midi.read_notes),
    ".musicxml": _one(musicxml.read_notes),
    ".mxl": _one(musicxml.read_notes),
    ".tsv": _one(note_table.read_notes),
    ".xml": _one(musicxml.read_notes),
}


def read_music(path: Path) -> tuple[list[str], NoteTable]:
    """Read the notes of a file.

    Parameters
    ----------
    path : Path
        ABC (several tunes), gabc, kern, MIDI, MusicXML, or a table of notes; told by the ending of its name.

    Returns
    -------
    names : list of str
        Of the pieces: the file's, with the number of the tune where it holds several.
    notes : NoteTable
        In quarter notes.

    Raises
    ------
    ReadError
        If the file is absent, too large, of another kind, damaged or without notes.
    """
    if path.suffix.lower() not in _READERS:
        raise ReadError(f"{path}: unknown kind of file {path.suffix!r}; accepted: {', '.join(_READERS)}")
    try:
        if path.stat().st_size > _LARGEST:
            raise ReadError(f"{path}: {path.stat().st_size:,} bytes; accepted: at most {_LARGEST:,}")
        data = path.read_bytes()
    except OSError as error:
        raise ReadError(f"{path}: cannot be read ({error.strerror}); accepted: a file that exists") from None
    try:
        pieces = _READERS[path.suffix.lower()](data)
    except ReadError as error:
        raise ReadError(f"{path}: {error}") from None
    several = len(pieces) > 1
    names = [f"{path.name} {name}" if several else path.name for name, _ in pieces]
    return names, NoteTable.from_pieces([piece for _, piece in pieces])
