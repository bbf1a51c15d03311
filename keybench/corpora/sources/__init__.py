"""Sources: how the files of a corpus become pieces, one small file per format.

A source cuts files into documents, one per piece, and joins what the readers make of each: the notes from one function,
the facts (labels, titles for grouping) from others. The two never mix.
"""

from keybench.corpora.sources.base import Document, Facts, Label, Source, source

__all__ = ["Document", "Facts", "Label", "Source", "source"]
