"""Plainchant in gabc, the notation of the Gregorio project: notes from the body, the mode from the header.

Rules followed (the notation: the Gregorio reference, "The GABC file"; accidentals: the Liber Usualis of 1961, page
xviij):

- A letter from a to p is a height on the staff; the first line is d, and the clef says which note lies on its line.
  Chant has no fixed pitch: the line of a C clef is written as C4, that of an F clef as the F below.
- A flat, natural or sharp holds at its height to the end of the word and no further than the next bar of any size (a
  virgula is none). The flat of a clef holds for every B until the clef changes.
- Every note lasts 1 and each dot (mora) adds 1; of two dots one belongs to the note before, if there is one in the
  bracket. Nothing else lengthens. Letters repeated as a shape (``vv``, ``ss``, ``sss``) are so many notes.
- Ornaments of the staff (custos, line breaks, ledger lines, signs above, neumes after ``|``) are no notes.

What does not end on the final is cut, known by the marks and words that the books use, never by the header:

- a psalm verse, canticle or doxology after an antiphon (``Ps.``, ``Cant.``, a section that begins "Gloria Patri"), and
  a psalm ending ("E u o u a e");
- if a closing section only names the words to go back to, everything from the first verse on: the return ends the
  chant.

Verses of graduals, tracts and the like (V/) stay otherwise: their modes are those of the whole, and on the chants at
hand their ends are as often the final as the ends of what precedes them.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from keybench.corpora.readers.reading import Reading
from keybench.errors import ReadError
from keybench.key import DORIAN, LOCRIAN, LYDIAN, MAJOR, MINOR, MIXOLYDIAN, PHRYGIAN, Key
from keybench.notes import Piece

_MAX_BYTES = 200_000
_HEIGHTS = "abcdefghijklmnp"
_NATURALS = (0, 2, 4, 5, 7, 9, 11)
_C_CLEF, _F_CLEF = 28, 24  # the note on the clef's line, in diatonic steps above C0: C4 and the F below
_B = 6  # in diatonic steps above C
_MOST_CUE_NOTES = 8  # of the cues at hand

_TOKEN = re.compile(
    r"(?P<clef>[cf]b?[1-5])"
    r"|(?P<height>[a-np])(?P<sign>[xy#+])"
    r"|(?P<note>[a-npA-NP])"  # a capital is the same note in another shape
    r"|(?P<again>vv+|ss+)"
    r"|(?P<dots>\.+)"
    r"|(?P<bar>[,;:])"
)
_ALTERATION = {"x": -1, "y": 0, "#": 1}
_MARKED_END = re.compile(r"<i>\s*(?:Ps|Cant)\b|<eu>")
_SPOKEN_END = re.compile(r"(?:gloria patri|e u o u a e)\b")
_VERSE = re.compile(r"[\s~]*<sp>V/")
_MODE_OF_PAIR = (DORIAN, PHRYGIAN, LYDIAN, MIXOLYDIAN)
_FINALS = (2, 4, 5, 7)
_AFFINALS = (9, 11, 0, 2)
_STAFF_MODE_ON_AFFINAL = (MINOR, LOCRIAN, MAJOR, DORIAN)


@dataclass(frozen=True)
class _Syllable:
    """Text and the notes sung to it, as (pitch, duration); `closes` marks the double bar that ends a section."""

    text: str
    notes: list[tuple[float, float]]
    closes: bool


def read_notes(data: bytes) -> Reading:
    """Read the notes of one chant, without the verses and endings that do not end on its final.

    Parameters
    ----------
    data : bytes
        A gabc file, UTF-8.

    Returns
    -------
    Reading
        Notes follow each other without rests; a note without dots lasts 1 quarter. Chant has no metre: every accent is
        weak, and there are no bars.

    Raises
    ------
    ReadError
        If the file is too large, not UTF-8 text, without a ``%%`` line, a clef or notes, or a bracket stays open.
    """
    _, body = _split(data)
    sung = [note for syllable in _cut(list(_syllables(body))) for note in syllable.notes]
    if not sung:
        raise ReadError("no notes; accepted: a gabc body with at least one note")
    pitch, duration = np.array(sung, dtype=float).T
    return Reading(Piece(onset=np.cumsum(duration) - duration, duration=duration, pitch=pitch))


def _split(data: bytes) -> tuple[str, str]:
    """Return the header and the body."""
    if len(data) > _MAX_BYTES:
        raise ReadError(f"a chant of {len(data):,} bytes; accepted: at most {_MAX_BYTES:,}")
    try:
        text = data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError as error:
        raise ReadError(f"byte {error.start} is not UTF-8; accepted: gabc text in UTF-8") from None
    parts = re.split(r"(?m)^%%.*\n?", text, maxsplit=1)
    if len(parts) < 2:
        raise ReadError("no %% line; accepted: a gabc header, a line of %%, and notes in brackets")
    return parts[0], parts[1]


def _header(data: bytes, field: str) -> str | None:
    """Return the value of a header field, None if it is absent or empty."""
    match = re.search(rf"(?m)^{field}[^\S\n]*:([^;\n]*)", _split(data)[0])
    return (match[1].strip() or None) if match else None


def _syllables(body: str) -> Iterator[_Syllable]:
    """Go through the text and the bracketed notes of a body."""
    body = re.sub(r"%.*\n?", "", body)
    body = re.sub(r"<v>[^<]*</v>", "", body)  # printed as it stands, brackets included
    line = 0  # diatonic steps above C0 of height a
    clef = ""
    signs: dict[int, int] = {}
    text, *rest = body.split("(")
    for part in rest:
        group, closed, after = part.partition(")")
        if not closed:
            raise ReadError(f"a bracket of notes stays open at {part[:20]!r}; accepted: every ( with its )")
        if re.search(r"\s", text):
            signs = {}  # a new word
        notes: list[tuple[float, float]] = []
        figures = re.sub(r"\[[^\[\]]*\]", "", group)
        for token in _TOKEN.finditer("".join(figures.split("|")[::2])):
            if token["clef"]:
                clef, signs = token["clef"], {}
                line = (_C_CLEF if clef[0] == "c" else _F_CLEF) - (2 * int(clef[-1]) + 1)
            elif token["sign"]:
                if token["sign"] != "+":
                    signs[_HEIGHTS.index(token["height"])] = _ALTERATION[token["sign"]]
            elif token["note"]:
                if not clef:
                    raise ReadError("a note before the first clef; accepted: a clef c1 to c5 or f1 to f5 first")
                height = _HEIGHTS.index(token["note"].lower())
                octave, step = divmod(line + height, 7)
                sign = signs.get(height, -1 if step == _B and "b" in clef else 0)
                notes.append((12.0 * (octave + 1) + _NATURALS[step] + sign, 1.0))
            elif token["again"] and notes:
                notes += [notes[-1]] * (len(token["again"]) - 1)
            elif token["dots"] and notes:
                for number in range(len(token["dots"])):
                    at = -2 if number == 1 and len(notes) > 1 else -1
                    notes[at] = (notes[at][0], notes[at][1] + 1.0)
            elif token["bar"]:
                signs = {}
        yield _Syllable(text, notes, "::" in figures)
        text = after


def _words(section: list[_Syllable]) -> str:
    """Return the words of a section in plain letters, and numbers of stanzas, without rubrics and marks."""
    text = re.sub(r"<(i|sp|c|alt)>[^<]*</\1>|<[^<>]*>|[{}]", "", "".join(syllable.text for syllable in section))
    plain = unicodedata.normalize("NFD", text.lower().replace("æ", "ae").replace("œ", "oe"))
    return " ".join(re.sub(r"[^a-z0-9\s]", "", plain).split())


def _cut(syllables: list[_Syllable]) -> list[_Syllable]:
    """Leave out what follows the music that ends on the final (see the module's description)."""
    marked = [i for i, syllable in enumerate(syllables) if _MARKED_END.search(syllable.text)]
    sections: list[list[_Syllable]] = [[]]
    for syllable in syllables[: marked[0]] if marked else syllables:
        sections[-1].append(syllable)
        if syllable.closes:
            sections.append([])
    sections = [section for section in sections if any(syllable.notes for syllable in section)]
    words = [_words(section) for section in sections]
    ends = [i for i in range(1, len(sections)) if _SPOKEN_END.match(words[i])]
    cues = [i for i in range(1, len(sections)) if _is_cue(words[i], sections[i], words[0])]
    if cues:
        ends += [cues[0], *(i for i in range(1, cues[0]) if _VERSE.match(sections[i][0].text))]
    return [syllable for section in sections[: min(ends, default=None)] for syllable in section]


def _is_cue(words: str, section: list[_Syllable], first: str) -> bool:
    """Tell whether a section only names some words of the first one, with which the singers go back to it."""
    n_notes = sum(len(syllable.notes) for syllable in section)
    return n_notes <= _MOST_CUE_NOTES and words != "" and words != first and f" {words} " in f" {first} "


def read_mode(data: bytes) -> int | None:
    """Return the mode of the header, 1 to 8, or None if it names none of the eight (the first character decides).

    Raises
    ------
    ReadError
        If the file has no header (see `read_notes`).
    """
    match = re.match(r"[1-8](?!\d)", _header(data, "mode") or "")
    return int(match[0]) if match else None


def read_name(data: bytes) -> str | None:
    """Return the name of the chant, its first words; used only to group variants.

    Raises
    ------
    ReadError
        If the file has no header (see `read_notes`).
    """
    return _header(data, "name")


def read_office(data: bytes) -> str | None:
    """Return the kind of chant (``office-part``), as in ``Introitus``.

    Raises
    ------
    ReadError
        If the file has no header (see `read_notes`).
    """
    return _header(data, "office-part")


def church_key(mode: int) -> Key:
    """Return the key of a church mode at its regular final: Dorian on D for 1 and 2, and so on to Mixolydian on G.

    Parameters
    ----------
    mode : int
        1 to 8. The two modes of a pair share their final and differ in range.
    """
    pair = (mode - 1) // 2
    return Key(_FINALS[pair], _MODE_OF_PAIR[pair])


def accepted_keys(mode: int, final: int | None = None) -> list[Key]:
    """Return the keys that a church mode may stand for in a chant.

    A chant may be written at the regular final (D, E, F, G) or at its affinal, the note with the same place in the
    tetrachord A, B, C, D (the medieval doctrine of modal affinity); the number of the mode is the same. Around final
    and affinal the steps agree, but not everywhere: on the staff, the sixth above A is F, not the Dorian F-sharp, and
    the fourth above C is F, not the Lydian F-sharp. The number says nothing about such notes, so at the affinal both
    the mode of the name and the mode that the staff has there (minor, Locrian, major, Dorian) are right.

    Parameters
    ----------
    mode : int
        1 to 8.
    final : int, optional
        Pitch class of the last note of the chant as written. A mode is defined by the final, so a last note that is
        the regular final or the affinal tells which of the two the number means here; without it, or with another
        last note, both are accepted. Accepting both everywhere would forgive the commonest of errors, taking the note
        of recitation a fifth above for home: A in mode 1, C in mode 5.

    Returns
    -------
    list of Key
        The regular key first.
    """
    pair = (mode - 1) // 2
    regular = [church_key(mode)]
    affinal = [Key(_AFFINALS[pair], _MODE_OF_PAIR[pair]), Key(_AFFINALS[pair], _STAFF_MODE_ON_AFFINAL[pair])]
    if final == _FINALS[pair]:
        return regular
    return affinal if final == _AFFINALS[pair] else regular + affinal
