"""What a source is, and which there are."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, cast

from keybench.corpora.manifest import FORMATS, Manifest
from keybench.corpora.readers.reading import LabelSpan, Reading
from keybench.key import NO_MODE, Key


@dataclass(frozen=True)
class Document:
    """One piece before it is read.

    Parameters
    ----------
    piece : str
        Name inside the corpus.
    file : str
        Path below the origin's folder, for messages.
    data : Any
        What the source's functions take; must survive being sent to another process.
    """

    piece: str
    file: str
    data: Any


@dataclass(frozen=True)
class Label:
    """A whole piece's key as its source writes it; `mode` is `keybench.key.NO_MODE` where it is not given."""

    tonic: int
    mode: int = NO_MODE


@dataclass(frozen=True)
class Facts:
    """What a source says of a piece, apart from its notes.

    Parameters
    ----------
    label : Label or None
        None where the source names no key: the piece is left out, for the reason in `remark`.
    accepted : tuple of Key
        Acceptable keys where the label policy cannot derive them from the label.
    spans : tuple of LabelSpan
        Local keys.
    related : dict of str to tuple of str
        What groups pieces, by kind: ``title``, ``work``, ``composer``.
    strata : tuple of str
        Kinds that results are also given for, such as ``derived family: minor``.
    remark : str
        One line on what is lacking.
    """

    label: Label | None
    accepted: tuple[Key, ...] = ()
    spans: tuple[LabelSpan, ...] = ()
    related: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    strata: tuple[str, ...] = ()
    remark: str = ""


class Source(Protocol):
    """What a module of this package has: the unit of its notes, a package that it needs, and three functions."""

    UNIT: str
    NEEDS: str

    def documents(
        self, manifest: Manifest, files: Mapping[str, bytes], companions: Mapping[str, bytes]
    ) -> tuple[list[Document], list[tuple[str, str]]]:
        """Cut files into documents; also return (file, reason) for those that hold none.

        Parameters
        ----------
        manifest : Manifest
        files, companions : dict of str to bytes
            Content by path, of the origin and of its companion.
        """

    def read_notes(self, document: Document) -> Reading:
        """Read the music. Raises `ReadError`."""

    def read_facts(self, document: Document, reading: Reading | None) -> Facts:
        """Read labels and titles; `reading` (None if unreadable) gives the bars that labels may speak of.

        Raises `ReadError` where nothing can be read.
        """


def source(format_: str) -> Source:
    """Return the source of a format that a manifest names."""
    if format_ not in FORMATS:
        raise KeyError(format_)
    return cast(Source, importlib.import_module(f"{__package__}.{format_.replace('-', '_')}"))
