"""Stored label audits: which pieces of a corpus have labels that a person should look at.

One JSON file per corpus in ``audits/`` beside its manifest, written by ``keybench corpora audit ID --save``. An audit
holds for the very files that it was made of, and for no others.
"""

from __future__ import annotations

import json
from dataclasses import replace

from keybench.corpora.corpus import Corpus
from keybench.corpora.manifest import Manifest
from keybench.errors import ManifestError

AUDIT_SCHEMA = 1
PLAUSIBLE, LOOK = "label audit: plausible", "label audit: to look at"
"""Strata of audited pieces."""


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
        fits = stored["schema"] == AUDIT_SCHEMA and stored["content"] == corpus.content_hash
        look = set(stored["look"])
    except FileNotFoundError:
        return corpus
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise ManifestError(
            f"{path}: not an audit ({error}); make it again with: keybench corpora audit {manifest.id} --save"
        ) from None
    if not fits:
        return corpus
    strata = [
        (*kinds, LOOK if piece in look else PLAUSIBLE)
        for piece, kinds in zip(corpus.pieces, corpus.strata, strict=True)
    ]
    return replace(corpus, strata=strata)
