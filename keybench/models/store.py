"""Models on disk: NAME.json with the card and the structure, NAME.npz beside it with the arrays. Nothing is pickled."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
import zlib
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench import __version__, estimators
from keybench.errors import KeybenchError, ModelError
from keybench.estimators import KeyEstimator
from keybench.files import write_atomically
from keybench.models import selfcheck
from keybench.models.card import Card, cautions, read_card
from keybench.models.encode import Arrays, decode, encode, has_nan, prefixed

SCHEMA = 1
SHIPPED = Path(__file__).resolve().parent / "shipped"
SHIPPED_BYTES = 2_000_000
"""Most that the models that ship with keybench may take together."""

_CHECK = "check:"  # begins the names of the kept answers; no attribute's name holds a colon
_LARGEST = 2**28  # bytes of arrays: a file that claims more is damaged, or means harm
_UNREADABLE = (zipfile.BadZipFile, zlib.error, ValueError, OSError, EOFError, KeyError, AttributeError,
               NotImplementedError)  # fmt: skip
_PACKAGES = ("numpy", "scipy", "scikit-learn")


@dataclass(frozen=True)
class Stored:
    """A model's JSON file, read and checked.

    Parameters
    ----------
    path : Path
        Of the JSON file.
    card : Card
    model, arrays : dict
        The structure, and what the array file must hold.
    """

    path: Path
    card: Card
    model: dict[str, Any]
    arrays: dict[str, Any]

    @property
    def size(self) -> int:
        """Size of both files, in bytes."""
        return sum(path.stat().st_size for path in (self.path, self.path.with_suffix(".npz")) if path.is_file())


def names() -> list[str]:
    """Return the names of the models that ship with keybench."""
    return sorted(path.stem for path in SHIPPED.glob("*.json"))


def save(model: KeyEstimator, path: str | Path, card: Card | dict[str, Any], use: str = "") -> Path:
    """Save a fitted estimator with its card: one JSON file and, beside it, one npz file.

    Parameters
    ----------
    model : KeyEstimator
        Fitted, of a registered class.
    path : str or Path
        Where the JSON file goes; ``.json`` is added where it is missing.
    card : Card or dict
        `name` and `what_for` are needed. The method, what it can be asked about, the versions, the date and the limits
        that follow from them are filled in.
    use : str
        Name of the method, where several are of the same class; found by the parameters otherwise.

    Returns
    -------
    Path
        Of the JSON file.

    Raises
    ------
    ModelError
        If the model is not fitted or cannot be saved, the card lacks something, or the file is another's.
    """
    path = Path(path)
    if path.suffix != ".json":
        path = path.with_name(path.name + ".json")
    try:
        card = read_card(json.loads(json.dumps(card.as_dict() if isinstance(card, Card) else card)), str(path))
    except (TypeError, ValueError, AttributeError) as error:
        if isinstance(error, ModelError):
            raise
        raise ModelError(f"{path}: the card cannot be written ({error}); accepted: a Card, or a dict of plain values "
                         "with its fields") from None  # fmt: skip
    if not isinstance(model, KeyEstimator) or not model.__sklearn_is_fitted__():
        raise ModelError(f"{path}: a {type(model).__name__} that is not fitted; accepted: a fitted KeyEstimator")
    _check_free(path)
    try:
        content, arrays = encode(model, use=use)
        kept = selfcheck.answers(model)
    except KeybenchError as error:
        raise prefixed(error, path) from None
    arrays |= {_CHECK + medium: answers for medium, answers in kept.items()}
    known = estimators.entry(content["estimator"])
    card = replace(
        card,
        use=content["estimator"],
        description=known.description,
        source=known.source,
        params=_plain(model.get_params(deep=False)),
        hears=tuple(medium for medium in kept if not card.hears or medium in card.hears),
        keybench=__version__,
        date=card.date or datetime.now(UTC).isoformat(timespec="seconds"),
        packages={name: version(name) for name in _PACKAGES},
    )
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)  # type: ignore[arg-type]
    data = buffer.getvalue()
    described = {
        "sha256": hashlib.sha256(data).hexdigest(),
        "contents": {name: {"dtype": _dtype(a), "shape": list(a.shape)} for name, a in arrays.items()},
    }
    whole = sealed({"schema": SCHEMA, "card": cautions(card).as_dict(), "model": content, "arrays": described})
    text = json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    try:
        write_atomically(path.with_suffix(".npz"), lambda temporary: temporary.write_bytes(data))
        write_atomically(path, lambda temporary: temporary.write_text(text, encoding="utf-8"))
    except OSError as error:
        raise ModelError(f"{path}: cannot be written ({error.strerror}); accepted: a place to write to") from None
    return path


def sealed(whole: dict[str, Any]) -> dict[str, Any]:
    """Return the content of a JSON file with a checksum over the rest of it: no figure changes unnoticed."""
    rest = {name: part for name, part in whole.items() if name != "sha256"}
    return rest | {"sha256": hashlib.sha256(json.dumps(rest, sort_keys=True).encode()).hexdigest()}


def _check_free(path: Path) -> None:
    """Complain of files in the way that are no saved model, rather than write over them."""
    beside = path.with_suffix(".npz")
    try:
        whole = json.loads(path.read_text(encoding="utf-8")) if path.exists() else None
    except (OSError, ValueError, RecursionError):
        whole = {}
    ours = isinstance(whole, dict) and {"schema", "card"} <= set(whole)
    if not ours and (whole is not None or beside.exists()):
        raise ModelError(f"{beside if whole is None else path}: is there and no saved model; accepted: a new name, or "
                         "that of a model to replace")  # fmt: skip


def load(which: str | Path) -> KeyEstimator:
    """Load a fitted model: one that ships with keybench by its name, or one's own by the path of its JSON file.

    It needs no training data and answers at once. Whoever made the file, loading it runs no code of its own.

    Raises
    ------
    ModelError
        If there is none, a file is damaged, or the method is not the one that it was saved from.
    """
    stored = read(which)
    arrays = _read_arrays(stored)
    try:
        kept = {name.removeprefix(_CHECK): array for name, array in arrays.items() if name.startswith(_CHECK)}
        if not kept or not set(kept) <= set(selfcheck.MEDIA):
            raise ModelError("keeps no answers to test pieces; accepted: what keybench.models.save wrote")
        model = decode(stored.model, {name: a for name, a in arrays.items() if not name.startswith(_CHECK)})
        selfcheck.confirm(model, kept)
    except (KeybenchError, RecursionError) as error:
        raise prefixed(ModelError(str(error)), stored.path) from None
    return model


def describe(which: str | Path) -> Card:
    """Return the card of a model, named as for `load`.

    Raises
    ------
    ModelError
        If there is none, or its file is damaged.
    """
    return read(which).card


def locate(which: str | Path) -> Path:
    """Return the JSON file that a name or path means.

    Raises
    ------
    ModelError
        If there is none.
    """
    if isinstance(which, str) and which in names():
        return SHIPPED / f"{which}.json"
    path = Path(which)
    if path.suffix == ".npz":
        path = path.with_suffix(".json")
    try:
        there = path.suffix == ".json" and path.is_file()
    except (OSError, ValueError):  # a name that no file can have
        there = False
    if not there:
        raise ModelError(
            f"{str(which)!r}: no such model; accepted: {', '.join((*names(), 'the path of a .json file'))}"
        )
    return path


def read(which: str | Path) -> Stored:
    """Read and check a model's JSON file, without its arrays.

    Raises
    ------
    ModelError
        If there is none, or it is damaged or of another schema.
    """
    path = locate(which)
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        text = " ".join(str(error).split())
        raise ModelError(f"{path}: cannot be read ({text}); accepted: what keybench.models.save wrote") from None
    if not isinstance(whole, dict) or "schema" not in whole:
        raise ModelError(f"{path}: no saved model; accepted: what keybench.models.save wrote")
    if whole["schema"] != SCHEMA:
        raise ModelError(f"{path}: schema {whole['schema']!r}; accepted: {SCHEMA}; fit it again with this keybench")
    if whole.get("sha256") != sealed(whole)["sha256"]:
        raise ModelError(f"{path}: damaged, or changed by hand; accepted: what keybench.models.save wrote")
    for part in ("card", "model", "arrays"):
        if not isinstance(whole.get(part), dict):
            raise ModelError(f"{path}: part {part!r} is missing; accepted: what keybench.models.save wrote")
    return Stored(path, read_card(whole["card"], str(path)), whole["model"], whole["arrays"])


def _read_arrays(stored: Stored) -> Arrays:
    """Read the arrays, and hold them against what the JSON file says of them.

    Raises
    ------
    ModelError
    """
    path = stored.path.with_suffix(".npz")
    try:
        data = path.read_bytes()
    except OSError as error:
        raise ModelError(f"{path}: cannot be read ({error.strerror}); accepted: the file that belongs to "
                         f"{stored.path.name}") from None  # fmt: skip
    if hashlib.sha256(data).hexdigest() != stored.arrays.get("sha256"):
        raise ModelError(f"{path}: damaged, or not the file that belongs to {stored.path.name}; accepted: both files "
                         "as they were saved")  # fmt: skip
    expected = stored.arrays.get("contents")
    if not isinstance(expected, dict):
        raise ModelError(f"{stored.path}: field 'contents' is missing; accepted: what keybench.models.save wrote")
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as opened:
            if sum(item.file_size for item in opened.zip.infolist()) > _LARGEST:
                raise ModelError(f"{path}: more than {_LARGEST:,} bytes of arrays; accepted: no more than that")
            if set(opened.files) != set(expected):
                odd = sorted(set(opened.files) ^ set(expected))[0]
                raise ModelError(f"{path}: array {odd!r} is missing or not listed; accepted: both files as saved")
            arrays = {name: opened[name] for name in expected}
    except ModelError:
        raise
    except (*_UNREADABLE, MemoryError) as error:
        text = " ".join(str(error).split())
        raise ModelError(f"{path}: cannot be read ({text}); accepted: what keybench.models.save wrote") from None
    for name, array in arrays.items():
        if expected[name] != {"dtype": _dtype(array), "shape": list(array.shape)}:
            raise ModelError(f"{path}: array {name!r} is {array.dtype} of shape {array.shape}; accepted: what "
                             f"{stored.path.name} says, {expected[name]!r}")  # fmt: skip
        if has_nan(array):
            raise ModelError(f"{path}: array {name!r} holds NaN; accepted: numbers")
    return arrays


def _dtype(array: npt.NDArray) -> Any:
    """Return an array's type as JSON has it."""
    return json.loads(json.dumps(np.lib.format.dtype_to_descr(array.dtype)))


def _plain(params: dict[str, Any]) -> dict[str, Any]:
    """Return parameters as a card shows them: what JSON has no word for as text."""

    def shown(value: Any) -> Any:
        plain = (
            value is None or isinstance(value, bool | int | str) or (isinstance(value, float) and np.isfinite(value))
        )
        return value if plain else str(value)

    return {name: shown(value) for name, value in params.items()}
