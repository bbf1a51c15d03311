"""Options that several commands share."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from keybench.errors import CorpusMissingError


def _use_data(context: click.Context, parameter: click.Parameter, value: Path | None) -> None:
    if value is not None:
        if not value.is_dir() and (context.command.name != "fetch" or value.exists()):
            raise CorpusMissingError(f"--data {value}: no such folder; accepted: a folder with local copies of corpora")
        os.environ["KEYBENCH_DATA"] = str(value.resolve())


def data_option(command: Any) -> Any:
    """Add ``--data DIR``, which means what the variable ``KEYBENCH_DATA`` does."""
    return click.option(
        "--data",
        metavar="DIR",
        type=click.Path(path_type=Path),
        callback=_use_data,
        expose_value=False,
        is_eager=True,
        help="Folder with local copies of corpora  [default: KEYBENCH_DATA, else the user's data folder]",
    )(command)


def json_option(command: Any) -> Any:
    """Add ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON.")(command)


def cores() -> int:
    """Return the number of cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
