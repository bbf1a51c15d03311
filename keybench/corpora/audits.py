"""Stored label audits: which pieces of a corpus have labels that a person should look at.

One JSON file per corpus in ``audits/`` beside its manifest, written by ``keybench corpora audit ID --save``. An audit
holds for the very pieces that it was made of: one whose notes or label changed since is not audited.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from itertools import pairwise

import numpy as np

from keybench.corpora.corpus import Corpus
from keybench.corpora.manifest import Manifest
from keybench.errors import ManifestError

AUDIT_SCHEMA = 1
PLAUSIBLE, LOOK = "label audit: plausible", "label audit: to look at"
"""Strata of audited pieces."""


def fingerprints(corpus: Corpus) -> list[str]:
    """Return a short hash of each piece: of its notes and of what its label accepts."""
    notes, truth = corpus.notes, np.packbits(corpus.truth, axis=1)
    onset = np.round(notes.onset * 1000).astype(np.int64)
    pitch = np.round(notes.pitch).astype(np.int64)
    out = []
    for i, (a, b) in enumerate(pairwise(notes.offsets)):
        digest = hashlib.sha256(onset[a:b].tobytes() + pitch[a:b].tobytes() + truth[i].tobytes())
        out.append(digest.hexdigest()[:8])
    return out


def with_audit(corpus: Corpus, manifest: Manifest) -> Corpus:
    """Return the corpus with the strata of its stored audit, where there is one; truths stay as they are.

    A piece that is not the one that was audited, in its notes or in what its label accepts, gets none.

    Raises
    ------
    ManifestError
        If the stored audit is damaged.
    """
    path = manifest.base / "audits" / f"{manifest.id}.json"
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        if stored["schema"] != AUDIT_SCHEMA:
            return corpus
        audited, look = dict(stored["pieces"]), set(stored["look"])
    except FileNotFoundError:
        return corpus
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise ManifestError(
            f"{path}: not an audit ({error}); make it again with: keybench corpora audit {manifest.name} --save"
        ) from None
    strata = [
        (*kinds, LOOK if piece in look else PLAUSIBLE) if audited.get(piece) == mark else kinds
        for piece, mark, kinds in zip(map(str, corpus.pieces), fingerprints(corpus), corpus.strata, strict=True)
    ]
    return replace(corpus, strata=strata)
