"""What a model may be taught by, and on what terms it is passed on.

A corpus teaches a model only if its manifest says that work derived from it may be passed on (``derived_use`` is
``allowed``), or may be on the corpus's own terms (``same licence``): then the model is under that licence too, and two
corpora that each ask for another one cannot teach one model. Secondary truth teaches beside none but its like.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from keybench.corpora import Manifest
from keybench.errors import ModelError

MAY_TEACH = ("allowed", "same licence")
"""Values of ``derived_use`` with which a corpus may teach."""


@dataclass(frozen=True)
class Terms:
    """On what terms a model is passed on.

    Parameters
    ----------
    licence : str
        SPDX expression.
    share_alike : bool
        Whether a corpus asks for this licence, also for what is made from the model.
    commercial_use : {"allowed", "forbidden", "not stated"}
    """

    licence: str
    share_alike: bool
    commercial_use: str


def terms_of(manifests: Sequence[Manifest], licence: str) -> Terms:
    """Return the terms of a model taught by some corpora.

    Parameters
    ----------
    manifests : sequence of Manifest
    licence : str
        The maker's own, where no corpus asks for another.

    Raises
    ------
    ModelError
        If a corpus may not teach a model, or two of them ask for different licences.
    """
    for manifest in manifests:
        if manifest.derived_use not in MAY_TEACH:
            raise ModelError(
                f"corpus {manifest.id!r} may not teach a model that is passed on: its manifest says derived_use = "
                f"{manifest.derived_use!r} (licence {manifest.licence}); accepted: {' or '.join(MAY_TEACH)}"
            )
    headline = [manifest for manifest in manifests if manifest.headline]
    for manifest in manifests:
        if headline and not manifest.headline:
            raise ModelError(
                f"corpus {manifest.id!r} is secondary truth, which does not teach beside {headline[0].id!r}; accepted: "
                "corpora with headline = true, or secondary ones alone"
            )
    asking = [manifest for manifest in manifests if manifest.derived_use == "same licence"]
    for manifest in asking[1:]:
        if manifest.licence != asking[0].licence:
            raise ModelError(
                f"corpora {asking[0].id!r} ({asking[0].licence}) and {manifest.id!r} ({manifest.licence}) each ask "
                "that what is made from them be under their own licence; accepted: corpora that ask for the same"
            )
    uses = {manifest.commercial_use for manifest in manifests}
    return Terms(
        asking[0].licence if asking else licence,
        bool(asking),
        next((use for use in ("forbidden", "not stated") if use in uses), "allowed"),
    )
