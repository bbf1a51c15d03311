"""Cross-check of the ABC reader against an independent one, that of music21 (Cuthbert & Ariza 2010).

The two differ for reasons that are known one by one. Each reason is a rewriting of the tune that spares music21 what
it would do otherwise; a tune is put down to the smallest set of reasons under which music21 reads the same notes, with
the same lengths, as our reader does from the tune as it stands. What is left over is unexplained, and may only be a
few named tunes.
"""

import functools
import importlib.util
import itertools
import random
import re
import warnings
from collections import Counter
from pathlib import Path
from unittest import mock

import numpy as np
import pytest

from keybench.corpora.readers import abc

MUSIC21 = importlib.util.find_spec("music21")
pytestmark = [
    pytest.mark.corpus,
    pytest.mark.skipif(MUSIC21 is None, reason="music21 is absent: install it with pip install 'keybench[corpora]'"),
]

FOLDERS = {"aird": "airdsAirs", "oneill": "oneills1850", "ryan": "ryansMammoth"}
BAR = re.compile(
    r"(\[[A-Za-z]:[^\]]*\])"  # a field inside the music is no bar line
    r"|(::|:\|\|?:|:\|+\]?|\|+:|\[?\|\]|\[\||\|+|:(?=\s*$))(\s*\[?[1-4](?=[^0-9/]))?|(\[[1-4])"
)
TOKEN = re.compile(r"(?P<skip>\[[A-Za-z]:[^\]]*\]|![^!]*!)|(?P<grace>\{[^}]*\})|(?P<bar>\|)|([\^_=]*)([A-Ga-g])")


def in_body(tune, rewrite):
    """Rewrite the lines of music, and leave the header and field lines; annotations go, neither reader sounds them."""
    header, music = re.match(r"(?s)(.*?^K:[^\n]*\n)(.*)", tune, re.M).groups()
    lines = music.split("\n")
    fields = [bool(re.match(r"[A-Za-z]:(?![|:])|%", line)) for line in lines]
    return header + "\n".join(
        line if field else rewrite(re.sub(r'"[^"]*"', "", line)) for line, field in zip(lines, fields, strict=True)
    )


def without(pattern, left=""):
    return lambda tune: in_body(tune, lambda line: re.sub(pattern, left, line))


def accidentals_written(tune):
    """Write each accidental before every later note of its letter in the bar, in every octave."""
    standing = {}

    def one(match):
        if match["grace"]:
            return ""
        if match["bar"]:
            standing.clear()
        if match["bar"] or match["skip"]:
            return match[0]
        letter = match[5].upper()
        if match[4]:
            standing[letter] = match[4]
        return standing.get(letter, "") + match[5]

    return in_body(tune, lambda line: TOKEN.sub(one, line))


def passages(music):
    """Cut music at bar lines into (kind of bar line before it, number of its ending or 0, text)."""
    out, kind, ending, at = [], "|", 0, 0
    for match in BAR.finditer(music):
        if match[1]:
            continue
        out.append((kind, ending, music[at : match.start()]))
        kind, number = match[2] or "|", match[3] or match[4]
        ending, at = int(re.sub(r"\D", "", number)) if number else 0, match.end()
    return [*out, (kind, ending, music[at:]), ("end", 0, "")]


def played_out(music):
    """Play repeats and endings out; without a beginning they go back to the last double bar or repeat's end."""
    out, common, endings, current, opened = [], [], {}, 0, False

    def flush(repeated):
        for number in sorted(endings) or [0] * (2 if repeated else 1):
            out.extend(common + endings.get(number, []))
        common.clear()
        endings.clear()

    for kind, number, text in passages(music):
        closes, opens = kind.startswith(":"), kind.endswith(":")
        double = kind in ("||", "|]", "[|", "[|]")
        if not number and (closes or opens or kind == "end" or (double and (len(endings) > 1 or not opened))):
            flush(closes)
            current, opened = 0, opens
        current = number or current
        (endings.setdefault(current, []) if current else common).append(text + " | ")
    return "".join(out)


def repeats_played_out(tune):
    """Return the tune with its part order, repeats and endings written out."""
    header, music = re.match(r"(?s)(.*?^K:[^\n]*\n)(.*)", tune, re.M).groups()
    music = re.sub(r'"[^"]*"|(?m:%.*$)|(?m:\\\s*$)', "", music)
    order = re.search(r"(?m)^P:\s*([A-Z0-9().]+)\s*$", header)
    pieces = re.split(r"(?m)^P:\s*([A-Z])\b.*\n", music)
    parts = dict(zip(pieces[1::2], pieces[2::2], strict=False))
    if order and parts:
        letters = re.sub(r"([A-Z])(\d)", lambda m: m[1] * int(m[2]), order[1].replace(".", ""))
        chosen = [parts.get(letter, "") for letter in letters]
    else:
        chosen = [re.sub(r"(?m)^P:.*\n", "", music)]
    joined = [re.sub(r"\s*\n\s*(?![A-Za-z]:(?![|:]))", " ", part) for part in chosen]
    return re.sub(r"(?m)^P:.*\n", "", header) + "\n".join(played_out(part) for part in joined) + "\n"


# Cause -> what music21 is given. Repeats come first: the other rewritings then see the bars as played.
CAUSES = {
    # music21 expands repeats only where they pair up bar by bar, and no part orders.
    "repeats or part order": repeats_played_out,
    # ABC 2.1, section 11.3: an accidental lasts through the bar in all octaves; music21 takes the key signature again.
    "accidental lasts through the bar": accidentals_written,
    # music21 loses a note under a fermata.
    "fermata": without("H"),
    # music21 gives up on broken rhythm next to a slur, bowing, beam or staccato dot.
    "broken rhythm beside a sign": without(r"\((?!\d)|[)uv.`]"),
    # The sources tie unlike pitches; music21 makes one note of them.
    "tie between unlike pitches": without(r"(?<=([A-Ga-g]))(?P<length>[\d/]*)-(?![\s|]*\1)", r"\g<length>"),
}


def our_notes(tune):
    with abc.quiet_stdout():
        piece = abc.read_notes(tune)
    order = np.lexsort((piece.pitch, piece.onset))
    return piece.pitch[order].astype(int), piece.duration[order]


@functools.cache
def their_notes(tune):
    """Notes by music21: repeats expanded where it can, tied notes joined, no grace notes, no chord symbols."""
    from music21 import converter, harmony, repeat, stream

    without_beams = mock.patch.object(stream.Stream, "makeBeams")  # layout, which takes nearly half of the time
    with warnings.catch_warnings(), without_beams:
        warnings.simplefilter("ignore")
        score = converter.parseData(tune, format="abc")
        rows = []
        for part in score.parts:
            try:
                expanded = part.expandRepeats()
            except repeat.ExpanderException:
                expanded = part
            expanded = expanded.stripTies()
            for sounding in expanded.recurse().notes:
                if isinstance(sounding, harmony.ChordSymbol) or sounding.quarterLength == 0:
                    continue
                onset = float(sounding.getOffsetInHierarchy(expanded))
                rows += [(onset, pitch.midi, float(sounding.quarterLength)) for pitch in sounding.pitches]
    rows.sort()
    return np.array([row[1] for row in rows], dtype=int), np.array([row[2] for row in rows])


def agree(ours, theirs):
    """Same pitches in the same order, and lengths equal to within a tick or two of the converter."""
    if not len(ours[0]) == len(theirs[0]) > 0:
        return False
    return bool((ours[0] == theirs[0]).all() and np.allclose(ours[1], theirs[1], atol=0.02))


def weights(notes):
    total = np.bincount(notes[0] % 12, weights=notes[1], minlength=12)
    return total / total.sum()


def explain(tune):
    """Return the smallest set of causes that make both readers agree (empty if they do anyhow), or None."""
    ours = our_notes(tune)
    for size in range(len(CAUSES) + 1):
        for causes in itertools.combinations(CAUSES, size):
            theirs = tune
            for cause in causes:
                theirs = CAUSES[cause](theirs)
            try:
                if agree(ours, their_notes(theirs)):
                    return causes
            except Exception:  # a rewriting that music21 cannot read explains nothing
                continue
    return None


def sample(corpus, count, seed=1):
    folder = Path(MUSIC21.origin).parent / "corpus" / FOLDERS[corpus]
    tunes = []
    for path in sorted(folder.glob("*.abc")):
        data = path.read_bytes()
        try:
            text = data.decode()
        except UnicodeDecodeError:
            text = data.decode("latin-1")
        tunes += [(f"{corpus}:{path.stem}/{number}", tune) for number, tune in abc.split_tunes(text)]
    return random.Random(seed).sample(tunes, count)


def distance(tune):
    """Return the total variation between the pitch-class weights of both readers, each as it reads by itself."""
    return float(np.abs(weights(our_notes(tune)) - weights(their_notes(tune))).sum() / 2)


def test_pitch_class_weights_are_close():
    # Reference library: music21. Repeats and accidentals move a few per cent of the weight; a wrong key signature
    # moves more than a fifth of it.
    distances = [distance(tune) for corpus in FOLDERS for _, tune in sample(corpus, 4, seed=2)]
    assert len(distances) == 12
    assert max(distances) < 0.08  # measured 0.042
    assert np.mean(distances) < 0.025  # measured 0.014


@pytest.mark.parametrize("corpus", FOLDERS)
def test_a_wrong_key_signature_would_show(corpus):
    # Guards the bounds above: the same comparison on a tune moved by three sharps must fail.
    _, tune = sample(corpus, 1, seed=2)[0]
    moved = re.sub(r"(?m)^K:.*$", "K:C#", tune, count=1)
    assert np.abs(weights(our_notes(tune)) - weights(our_notes(moved))).sum() / 2 > 0.2


@pytest.mark.slow
def test_every_difference_has_a_known_cause(capsys):
    # Reference library: music21. Measured on this sample: 62 of 120 agree outright, one tune is unexplained.
    tunes = [pair for corpus in FOLDERS for pair in sample(corpus, 40)]
    assert len(tunes) == 120
    explained = {name: explain(tune) for name, tune in tunes}
    table = Counter(
        "unexplained" if causes is None else " + ".join(causes) or "agree outright" for causes in explained.values()
    )
    unexplained = [name for name, causes in explained.items() if causes is None]
    with capsys.disabled():
        print("\n" + "\n".join(f"{count:5d}  {cause}" for cause, count in table.most_common()))
        print(f"       unexplained: {', '.join(unexplained) or 'none'}")
    assert table["agree outright"] >= 0.48 * len(tunes)
    # Broken rhythm right after a triplet, where the two share out the length differently.
    assert set(unexplained) <= {"oneill:1276-1375/1282"}
    assert np.mean([distance(tune) for _, tune in tunes]) < 0.02  # measured 0.016
