"""Where the files that ship with keybench are: manifests and experiments, in a wheel or beside a source checkout."""

from __future__ import annotations

import os
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def shipped(folder: str) -> Path:
    """Return the folder ``datasets_manifest`` or ``experiments``.

    A wheel carries them inside the package; in a source checkout (also one installed in editable mode) they stand
    beside it.
    """
    inside = _PACKAGE / "shipped" / folder
    return inside if inside.is_dir() else _PACKAGE.parent / folder


def cache_folder() -> Path:
    """Return the folder for what can be made again: ``KEYBENCH_CACHE``, else keybench in the user's cache folder."""
    if chosen := os.environ.get("KEYBENCH_CACHE"):
        return Path(chosen)
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "keybench"


def data_folder() -> Path:
    """Return the folder with local copies of corpora: ``KEYBENCH_DATA``, else keybench in the user's data folder."""
    if chosen := os.environ.get("KEYBENCH_DATA"):
        return Path(chosen)
    base = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return Path(base) / "keybench"
