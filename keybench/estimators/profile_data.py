"""Published key profiles, index 0 = tonic.

Each pair was checked against at least two public sources before it was entered; the sums that the tests pin down guard
against known bad copies (a minor Kostka-Payne with .048 for .084, an Aarden major ending in 18.6691, a Bellman-Budge
major with 16.00 for its third).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ProfilePair:
    """A published major and minor profile.

    Parameters
    ----------
    name : str
    major, minor : tuple of 12 floats
        Weight of each scale degree in semitones above the tonic.
    source : str
        Publication.
    made_from : str
        Music or listeners that the numbers come from.
    overlaps : tuple of str
        Corpora, by the ids of their manifests, of which some music is or may be among what the numbers were made from:
        what the profile scores there says less than what it scores elsewhere.
    """

    name: str
    major: tuple[float, ...]
    minor: tuple[float, ...]
    source: str
    made_from: str
    overlaps: tuple[str, ...] = ()


PROFILES: dict[str, ProfilePair] = {
    pair.name: pair
    for pair in (
        ProfilePair(
            "krumhansl-kessler",
            (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88),
            (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17),
            "Krumhansl & Kessler 1982, Psychological Review 89",
            "listeners' ratings of how well a note fits a key",  # no music, so no overlap
        ),
        ProfilePair(
            "temperley-1999",
            (5, 2, 3.5, 2, 4.5, 4, 2, 4.5, 2, 3.5, 1.5, 4),
            (5, 2, 3.5, 4.5, 2, 4, 2, 4.5, 3.5, 2, 1.5, 4),
            "Temperley 1999, Music Perception 17",
            "the Krumhansl-Kessler numbers, adjusted by hand",
            # Numbers changed by theory, and tried on fugue subjects and textbook excerpts; not made from them, so no
            # overlap is named.
        ),
        ProfilePair(
            "temperley-2007",
            (0.748, 0.060, 0.488, 0.082, 0.670, 0.460, 0.096, 0.715, 0.104, 0.366, 0.057, 0.400),
            (0.712, 0.084, 0.474, 0.618, 0.049, 0.460, 0.105, 0.747, 0.404, 0.067, 0.133, 0.330),
            "Temperley 2007, Music and Probability",
            "the harmony textbook corpus of Kostka and Payne",
            # 46 excerpts of the workbook; 15 of the 201 examples in this corpus are printed in the textbook it goes
            # with. Whether any is among the excerpts is not known.
            overlaps=("textbook",),
        ),
        ProfilePair(
            "bellman-budge",
            (16.80, 0.86, 12.95, 1.41, 13.49, 11.93, 1.25, 20.28, 1.80, 8.04, 0.62, 10.57),
            (18.16, 0.69, 12.99, 13.34, 1.07, 11.15, 1.38, 21.07, 7.49, 1.53, 0.92, 10.21),
            "Bellman 2005, LNCS 3902, after Budge 1943",
            "chord counts in music of the eighteenth and nineteenth centuries",
            # Chords counted by hand in 1943. The composers are partly those of the score corpora; that a piece is the
            # same is unlikely and no source says so, so none is named.
        ),
        ProfilePair(
            "aarden-essen",
            (17.7661, 0.145624, 14.9265, 0.160186, 19.8049, 11.3587, 0.291248, 22.062, 0.145624, 8.15494, 0.232998,
             4.95122),
            (18.2648, 0.737619, 14.0499, 16.8599, 0.702494, 14.4362, 0.702494, 18.6161, 4.56621, 1.93186, 7.37619,
             1.75623),
            "Aarden 2003, dissertation, Ohio State University",
            "folk songs of the Essen collection",
            overlaps=("essen",),  # the collection itself
        ),
        ProfilePair(
            "albrecht-shanahan",
            (0.238, 0.006, 0.111, 0.006, 0.137, 0.094, 0.016, 0.214, 0.009, 0.080, 0.008, 0.081),
            (0.220, 0.006, 0.104, 0.123, 0.019, 0.103, 0.012, 0.214, 0.062, 0.022, 0.061, 0.052),
            "Albrecht & Shanahan 2013, Music Perception 31",
            "openings and endings of 490 pieces of European art music",
            # Half of 982 pieces of the common practice in the kern format. The abstract lists none. These corpora hold
            # the works that kern collections are best known for, so that some are the same is taken for granted.
            overlaps=("chorales", "dcml-baroque", "dcml-classical", "dcml-romantic"),
        ),
        ProfilePair(
            "sapp-simple",
            (2, 0, 1, 0, 1, 1, 0, 2, 0, 1, 0, 1),
            (2, 0, 1, 1, 0, 1, 0, 2, 1, 0, 0.5, 0.5),
            "Sapp 2011, dissertation, Stanford University",
            "a rule: two for tonic and fifth, one for the other scale notes",  # no music, so no overlap
        ),
    )
}  # fmt: skip
"""The seven published pairs by name."""
