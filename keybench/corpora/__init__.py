"""Corpora: manifests say what exists and what its labels mean; `load` reads them into one table with truths."""

from keybench.corpora.corpus import Corpus, Problem, pool
from keybench.corpora.loading import load
from keybench.corpora.manifest import Manifest, manifest_names, read_manifest

__all__ = ["Corpus", "Manifest", "Problem", "load", "manifest_names", "pool", "read_manifest"]
