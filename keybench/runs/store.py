"""What a run leaves on disk: predictions first, everything else derived from them.

While a run goes on, each finished fold of each method is one small file in ``parts/``; they become
``predictions.parquet`` at the end. ``run.json`` says from the start what the run is, so that ``--resume`` can tell
whether the parts belong to it.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from keybench.errors import RunError
from keybench.files import write_atomically
from keybench.key import N_KEYS

SCHEMA = 3
PREDICTIONS, RUN, SCORES, PARTS = "predictions.parquet", "run.json", "scores.json", "parts"
COSTS = "costs.json"

SECTIONS = pa.list_(pa.struct([("start", pa.float64()), ("end", pa.float64()), ("keys", pa.string())]))

COLUMNS = {
    "experiment": pa.string(),
    "corpus": pa.string(),
    "headline": pa.bool_(),  # whether the truth may enter a headline number
    "view": pa.string(),  # what of the piece was heard
    "fitted_on": pa.string(),  # what the method had learnt from
    "labels": pa.string(),
    "fold": pa.int16(),
    "estimator": pa.string(),
    "piece": pa.string(),
    "group": pa.int32(),
    "strata": pa.list_(pa.string()),  # kinds that results are also given for
    "n_notes": pa.int32(),  # heard in this view; of recordings, 0
    "n_pitch_classes": pa.int8(),  # heard in this view; of recordings, 0
    "n_keys": pa.int16(),  # that the source names over time; 0 where it names one for the whole
    "label": pa.string(),  # the key as written in the source; a note alone where it gives no mode
    "truth": pa.string(),  # every acceptable key
    "predicted": pa.string(),  # null where the method failed; of sections, the key that holds longest
    "truth_sections": SECTIONS,  # null where one key per piece is asked for
    "sections": SECTIONS,  # null where one key per piece is asked for, or the method failed
    "log_proba": pa.list_(pa.float32(), N_KEYS),  # null where the method failed
    "seconds": pa.float64(),  # processor time for this piece, as its share of the fold's batch
    "error": pa.string(),  # empty, or why it failed
}
"""Columns of ``predictions.parquet``; one row per method and piece."""


def write_rows(path: Path, columns: dict[str, Any], log_proba: npt.NDArray[np.float32]) -> None:
    """Write prediction rows atomically.

    Parameters
    ----------
    columns : dict
        Every column of `COLUMNS` but ``log_proba``, as lists, numpy arrays or Arrow arrays.
    log_proba : array, shape (n, 84)
        NaN rows are failures and stored as null.
    """
    failed = np.isnan(log_proba).any(axis=1)
    flat = pa.array(np.nan_to_num(log_proba, nan=0.0).ravel(), type=pa.float32())
    lists = pa.FixedSizeListArray.from_arrays(flat, N_KEYS, mask=pa.array(failed))
    arrays = [lists if name == "log_proba" else as_column(name, columns[name]) for name in COLUMNS]
    table = pa.table(arrays, schema=pa.schema(list(COLUMNS.items())))
    # A part is soon merged and removed: to pack it well would cost more than it saves.
    write_atomically(path, lambda temporary: pq.write_table(table, temporary, compression="lz4", use_dictionary=False))


def as_column(name: str, values: Any) -> pa.Array:
    """Return the values of a column of `COLUMNS` as an Arrow array, as it is if it is one."""
    return values if isinstance(values, pa.Array) else pa.array(values, type=COLUMNS[name])


def part_path(out: Path, estimator: str, view: int, fold: int) -> Path:
    """Return the file for one method's answers in one view and fold."""
    return out / PARTS / f"{quote(estimator, safe='')}.{view}.{fold}.parquet"


def merge_parts(out: Path, paths: list[Path]) -> None:
    """Put the parts, in the order given, into ``predictions.parquet``."""
    table = pa.concat_tables([pq.read_table(path) for path in paths])
    repeating = [name for name in COLUMNS if name != "log_proba"]
    write_atomically(
        out / PREDICTIONS,
        lambda temporary: pq.write_table(table, temporary, compression="zstd", use_dictionary=repeating),
    )


def remove_parts(out: Path) -> None:
    """Remove the parts, once the run is stated as finished."""
    shutil.rmtree(out / PARTS, ignore_errors=True)


def readable_part(path: Path) -> bool:
    """Say whether a part is there and whole."""
    try:
        return set(pq.read_schema(path).names) == set(COLUMNS)
    except (OSError, pa.ArrowInvalid):
        return False


def write_json(path: Path, content: dict[str, Any], rows: str = "") -> None:
    """Write JSON atomically, with NaN as null.

    Parameters
    ----------
    content : dict
    rows : str
        Name of a list in it that comes last, one item to a line: quicker to write and shorter than an item spread out.
    """
    clean = _without_nan(content)
    items = clean.pop(rows, [])
    text = json.dumps(clean, indent=1, ensure_ascii=False)
    if rows:
        lines = ",\n  ".join(json.dumps(item, ensure_ascii=False) for item in items)
        text = f'{text[:-2]},\n "{rows}": [\n  {lines}\n ]\n}}'
    write_atomically(path, lambda temporary: temporary.write_text(text + "\n", encoding="utf-8"))


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(item) for item in value]
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    return value


def read_run(out: Path) -> dict[str, Any]:
    """Read ``run.json`` of a run directory.

    Raises
    ------
    RunError
        If there is none, it is damaged, or it is of another schema.
    """
    path = out / RUN
    try:
        run: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise RunError(f"{out}: not a run directory (no {RUN}); accepted: what keybench run wrote") from None
    except (OSError, ValueError) as error:
        raise RunError(f"{path}: cannot be read ({error}); remove it and run the experiment again") from None
    if not isinstance(run, dict) or "fingerprint" not in run:
        raise RunError(f"{path}: not written by keybench; choose another directory")
    if run.get("schema") != SCHEMA:
        raise RunError(
            f"{path}: schema {run.get('schema')!r}; accepted: {SCHEMA}; remove it and run the experiment again"
        )
    return run


def read_predictions(out: Path) -> tuple[pd.DataFrame, npt.NDArray[np.float64]]:
    """Read the predictions of a finished run.

    Returns
    -------
    rows : DataFrame
        All columns but ``log_proba``.
    log_proba : array, shape (n_rows, 84)
        NaN rows where the method failed.

    Raises
    ------
    RunError
        If the run is unfinished or its predictions are damaged.
    """
    if read_run(out).get("state") != "finished":
        raise RunError(f"{out}: the run is not finished; go on with: keybench run --resume --out {out}")
    try:
        table = pq.read_table(out / PREDICTIONS)
    except (OSError, pa.ArrowInvalid) as error:
        raise RunError(f"{out / PREDICTIONS}: cannot be read ({error}); run the experiment again") from None
    if missing := set(COLUMNS) - set(table.column_names):
        raise RunError(f"{out / PREDICTIONS}: column {sorted(missing)[0]!r} is missing; run the experiment again")
    lists = table.column("log_proba").combine_chunks()
    chunks = lists.chunks if isinstance(lists, pa.ChunkedArray) else [lists]
    blocks = []
    for chunk in chunks:
        block = np.full((len(chunk), N_KEYS), np.nan)
        valid = np.asarray(chunk.is_valid())
        block[valid] = np.asarray(chunk.flatten(), dtype=float).reshape(-1, N_KEYS)
        blocks.append(block)
    return table.drop_columns(["log_proba"]).to_pandas(), np.concatenate(blocks) if blocks else np.zeros((0, N_KEYS))
