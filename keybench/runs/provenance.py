"""Provenance: what was run, on what data, with what code, where; and whether two runs are the same."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import sys
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from keybench import __version__
from keybench.corpora import read_manifest
from keybench.corpora.corpus import LEFT_OUT, REMARK, UNREADABLE
from keybench.corpora.locate import installed_version
from keybench.estimators import entry
from keybench.runs import store
from keybench.runs.material import Material
from keybench.runs.spec import EstimatorSpec, Experiment

_PACKAGES = (
    "numpy", "scipy", "scikit-learn", "pandas", "pyarrow", "mir_eval", "joblib", "symusic", "partitura", "pyreadr",
    "music21",
)  # fmt: skip


def fingerprint(experiment: Experiment, material: Material) -> str:
    """Return a hash of all that decides the predictions: what is asked, the data, and the code."""
    package = Path(__file__).resolve().parents[1]
    code = hashlib.sha256()
    for source in sorted(package.rglob("*.py")):
        code.update(source.read_bytes())
    for module in sorted({type(spec.make()).__module__ for spec in experiment.estimators}):
        source_file = getattr(sys.modules.get(module), "__file__", None)  # plug-ins stand outside the package
        if source_file and Path(source_file).is_file():
            code.update(Path(source_file).read_bytes())
    code.update(repr([(name, _version(name)) for name in _PACKAGES]).encode())
    asked = json.dumps(experiment.as_dict(), sort_keys=True)
    pieces = "\n".join(material.corpus.pieces)
    strata = json.dumps(material.corpus.strata)  # a label audit adds to them without touching a file of the corpus
    parts = (asked, material.corpus.content_hash, material.corpus.manifest_hash, pieces, strata, code.hexdigest())
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


def record(
    experiment: Experiment, material: Material, mark: str, n_jobs: int, limit: int | None, command: str
) -> dict[str, Any]:
    """Provenance: what was run, on what, with what, where."""
    corpora = []
    for name in (*experiment.manifests, *experiment.also_manifests):
        manifest = read_manifest(name)
        here = material.corpus.corpus == manifest.id
        corpora.append(
            {
                "id": manifest.id,
                "revision": manifest.revision,
                "title": manifest.title,
                "good_for": manifest.good_for,
                "headline": manifest.headline,
                "answered": name in experiment.manifests,
                "licence": manifest.licence,
                "licence_note": manifest.licence_note,
                "commercial_use": manifest.commercial_use,
                "derived_use": manifest.derived_use,
                "citation": manifest.citation,
                "known_faults": list(manifest.known_faults),
                "trust": manifest.trust,
                "policy": manifest.policy,
                "origin": manifest.origin.state,
                "installed_version": installed_version(manifest.origin),
                "pieces": int(here.sum()),
                "labelled": material.labelled[manifest.id],
                "labelled_in_manifest": manifest.labelled,
                "pieces_in_manifest": manifest.pieces,
                "at_origin": manifest.at_origin,
                "missing_files": material.missing[manifest.id],
                "left_out": _reasons(material, manifest.id, LEFT_OUT),
                "unreadable": _reasons(material, manifest.id, UNREADABLE),
                "remarks": _reasons(material, manifest.id, REMARK),
            }
        )
    return {
        "schema": store.SCHEMA,
        "state": "running",
        "run": mark[:12],
        "fingerprint": mark,
        "keybench": __version__,
        "experiment": experiment.as_dict(),
        "command": command,
        "limit": limit,
        "jobs": n_jobs,
        "started": now(),
        "corpora": corpora,
        "manifests": material.corpus.manifest_hash,
        "content": material.corpus.content_hash,
        "groups": len(set(material.groups[material.answered].tolist())),
        "methods": [_method(spec) for spec in experiment.estimators],
        "packages": {name: found for name in _PACKAGES if (found := _version(name))},
        "machine": {
            "system": platform.platform(),
            "processor": platform.machine(),
            "cores": os.cpu_count(),
            "python": sys.version.split()[0],
        },
    }


def _reasons(material: Material, corpus: str, kind: str) -> list[str]:
    return [p.reason for p in material.corpus.problems if p.kind == kind and p.piece.startswith(f"{corpus}:")]


def _method(spec: EstimatorSpec) -> dict[str, Any]:
    known, model = entry(spec.use), spec.make()
    return {
        "name": spec.name,
        "use": spec.use,
        "params": dict(model.get_params()),
        "description": known.description,
        "source": known.source,
        "simplicity": known.simplicity,
        "names": model.tags.names,
        "made_from": list(model.tags.made_from),
    }


def _version(package: str) -> str | None:
    try:
        return version(package)
    except PackageNotFoundError:
        return None


def now() -> str:
    """Return the time in UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")
