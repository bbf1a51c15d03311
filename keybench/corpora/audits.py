"""Stored label audits: which pieces of a corpus have labels that a person should look at.

One JSON file per corpus in ``audits/`` beside its manifest, written by ``keybench corpora audit ID --save``. An audit
holds for the very files that it was made of, and for no others.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np

from keybench.corpora.cache import content_hash
from keybench.corpora.corpus import Corpus
from keybench.corpora.manifest import Manifest
from keybench.errors import ManifestError

AUDIT_SCHEMA = 1
PLAUSIBLE, LOOK = "label audit: plausible", "label audit: to look at"
"""Strata of audited pieces."""


def audited_state(corpus: Corpus) -> str:
    """Return a hash of what an audit is about: the files and what their labels accept."""
    truth = np.packbits(corpus.truth, axis=1).tobytes()
    return content_hash([("files", corpus.content_hash.encode()), ("truth", truth)])


def with_audit(corpus: Corpus, manifest: Manifest) -> Corpus:
    """Return the corpus with the strata of its audit, if there is one of these very files; truths stay as they are.

    Raises
    ------
    ManifestError
        If the stored audit is damaged.
    """
    path = manifest.base / "audits" / f"{manifest.id}.json"
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        fits = stored["schema"] == AUDIT_SCHEMA and stored["content"] == audited_state(corpus)
        look = set(stored["look"])
    except FileNotFoundError:
        return corpus
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise ManifestError(
            f"{path}: not an audit ({error}); make it again with: keybench corpora audit {manifest.name} --save"
        ) from None
    if not fits:
        return corpus
    strata = [
        (*kinds, LOOK if piece in look else PLAUSIBLE)
        for piece, kinds in zip(corpus.pieces, corpus.strata, strict=True)
    ]
    return replace(corpus, strata=strata)
