"""Writing files so that they are either whole or not there."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path


def write_atomically(path: Path, writer: Callable[[Path], object]) -> None:
    """Call ``writer(temporary_path)`` and move the result to `path` in one step."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}-", suffix=path.suffix)
    os.close(handle)
    temporary = Path(name)
    try:
        writer(temporary)
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
