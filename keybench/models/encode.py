"""Fitted estimators as JSON and arrays: what can be said of any method that keeps the convention.

An estimator is its name in the registry, its constructor parameters and its learned attributes (names that end in an
underscore). Values are numbers, texts, None, numpy scalars and arrays, lists, tuples and dicts of these, and other
estimators. Arrays keep type and order, so that a loaded model answers as the fitted one did. Nothing is ever pickled,
and loading makes nothing but what the registry knows.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench import estimators
from keybench.errors import EstimatorError, KeybenchError, ModelError
from keybench.estimators import KeyEstimator

Arrays = dict[str, npt.NDArray]

ACCEPTED = (
    "numbers, texts, None, numpy arrays of numbers or texts without NaN, lists, tuples and dicts of these, and "
    "estimators of the registry"
)
"""What parameters and learned attributes can hold, for messages."""

_PLAIN_KINDS = "biufUS"  # booleans, integers, floating-point numbers, texts


def registered_name(model: KeyEstimator) -> str:
    """Return the name in the registry whose methods are of the model's class, with its parameters where there is one.

    Raises
    ------
    ModelError
        If there is none.
    """
    same = [name for name in estimators.names() if type(estimators.make(name)) is type(model)]
    if not same:
        raise ModelError(
            f"a {type(model).__name__} is no registered method; accepted: one of {', '.join(estimators.names())}"
        )
    mine = repr(model.get_params(deep=False))
    return next((name for name in same if repr(estimators.make(name).get_params(deep=False)) == mine), same[0])


def encode(model: KeyEstimator, name: str = "", use: str = "") -> tuple[dict[str, Any], Arrays]:
    """Take an estimator apart.

    Parameters
    ----------
    model : KeyEstimator
    name : str
        What the names of its arrays begin with.
    use : str
        Its name in the registry, where that is known.

    Returns
    -------
    content : dict
        For JSON.
    arrays : dict of str to array

    Raises
    ------
    ModelError
        If its class is not registered, or it holds something that cannot be saved.
    """
    arrays: Arrays = {}
    return _encode_estimator(model, name, arrays, use), arrays


def _encode_estimator(model: KeyEstimator, name: str, arrays: Arrays, use: str = "") -> dict[str, Any]:
    owner = type(model).__name__
    learned = {key: value for key, value in vars(model).items() if is_learned(key)}
    return {
        "estimator": use or registered_name(model),
        "class": owner,
        "params": {
            key: _encode(value, f"{name}{key}", f"parameter {key!r} of {owner}", arrays)
            for key, value in model.get_params(deep=False).items()
        },
        "learned": {
            key: _encode(value, f"{name}{key}", f"{key!r} of {owner}", arrays) for key, value in sorted(learned.items())
        },
    }


def is_learned(name: str) -> bool:
    """Say whether an attribute's name is that of something learned."""
    return name.isidentifier() and name.endswith("_") and not name.startswith("_")


def _encode(value: Any, name: str, where: str, arrays: Arrays) -> Any:
    if value is None or isinstance(value, bool) or type(value) in (int, str):
        return value
    if type(value) is float:
        _refuse_nan(value, where)
        return value if math.isfinite(value) else {"float": str(value)}
    if isinstance(value, np.ndarray | np.generic):
        array = np.asarray(value)
        _check_array(array, where)
        arrays[name] = array
        return {"array" if isinstance(value, np.ndarray) else "scalar": name}
    if isinstance(value, KeyEstimator):
        return _encode_estimator(value, f"{name}.", arrays)
    if type(value) in (list, tuple):
        items = [_encode(item, f"{name}.{i}", where, arrays) for i, item in enumerate(value)]
        return items if type(value) is list else {"tuple": items}
    if type(value) is dict:
        return {
            "dict": [
                [_encode(key, f"{name}.{i}.key", where, arrays), _encode(item, f"{name}.{i}", where, arrays)]
                for i, (key, item) in enumerate(value.items())
            ]
        }
    raise ModelError(f"{where} holds a {type(value).__name__}, which cannot be saved; accepted: {ACCEPTED}")


def decode(content: Any, arrays: Arrays) -> KeyEstimator:
    """Put an estimator together again.

    Parameters
    ----------
    content : dict
        As `encode` returns it.
    arrays : dict of str to array

    Raises
    ------
    ModelError
        If it is no such thing, or names a method that is not registered or is another now.
    """
    if not isinstance(content, dict) or set(content) != {"estimator", "class", "params", "learned"}:
        raise ModelError("holds no estimator where one should be; accepted: what keybench.models.save wrote")
    use, params, learned = content["estimator"], content["params"], content["learned"]
    if not isinstance(use, str) or not isinstance(params, dict) or not isinstance(learned, dict):
        raise ModelError("describes an estimator wrongly; accepted: what keybench.models.save wrote")
    if use not in estimators.names():
        raise ModelError(
            f"needs the method {use!r}, which is not registered here; accepted: the keybench or the plug-in that has it"
        )
    model = estimators.make(use)
    if type(model).__name__ != content["class"]:
        raise ModelError(
            f"was saved from a {content['class']}, and method {use!r} is a {type(model).__name__} here; accepted: one "
            "and the same"
        )
    try:
        model.set_params(**{key: _decode(value, arrays) for key, value in params.items()})
        model.check_parameters()
    except (ValueError, TypeError, EstimatorError) as error:
        if isinstance(error, ModelError):
            raise
        raise ModelError(f"gives method {use!r} parameters that it does not take ({error})") from None
    for key, value in learned.items():
        if not is_learned(key) or hasattr(type(model), key):
            raise ModelError(f"sets {key!r} of method {use!r}; accepted: learned attributes, which end in '_'")
        setattr(model, key, _decode(value, arrays))
    return model


def _decode(value: Any, arrays: Arrays) -> Any:
    if isinstance(value, list):
        return [_decode(item, arrays) for item in value]
    if not isinstance(value, dict):
        _refuse_nan(value, "it")
        return value
    if "estimator" in value:
        return decode(value, arrays)
    if len(value) == 1:
        (kind, content), *_ = value.items()
        if kind in ("array", "scalar") and isinstance(content, str) and content in arrays:
            return arrays[content] if kind == "array" else arrays[content][()]
        if kind == "float" and content in ("inf", "-inf"):
            return float(content)
        if kind == "tuple" and isinstance(content, list):
            return tuple(_decode(item, arrays) for item in content)
        if kind == "dict" and isinstance(content, list) and all(isinstance(x, list) and len(x) == 2 for x in content):
            return _decode_dict(content, arrays)
    raise ModelError(f"holds a value that cannot be read ({str(value)[:80]}); accepted: {ACCEPTED}")


def _decode_dict(pairs: list[Any], arrays: Arrays) -> dict[Any, Any]:
    try:
        return {_decode(key, arrays): _decode(item, arrays) for key, item in pairs}
    except TypeError:  # a list for a key
        raise ModelError("holds a dict with a key that cannot be one; accepted: numbers and texts") from None


def _refuse_nan(value: Any, where: str) -> None:
    if isinstance(value, float) and math.isnan(value):
        raise ModelError(f"{where} holds NaN; accepted: {ACCEPTED}")


def _check_array(array: npt.NDArray, where: str) -> None:
    kinds = [array.dtype[name] for name in array.dtype.names] if array.dtype.names else [array.dtype]
    if any(kind.kind not in _PLAIN_KINDS for kind in kinds):
        raise ModelError(f"{where} holds an array of {array.dtype}, which cannot be saved; accepted: {ACCEPTED}")
    if has_nan(array):
        raise ModelError(f"{where} holds NaN; accepted: {ACCEPTED}")


def has_nan(array: npt.NDArray) -> bool:
    """Say whether an array, or a field of a structured one, holds NaN."""
    if array.dtype.names:
        return any(has_nan(array[name]) for name in array.dtype.names)
    return array.dtype.kind == "f" and bool(np.isnan(array).any())


def prefixed(error: KeybenchError, where: object) -> ModelError:
    """Return a complaint that says of which file it is."""
    return ModelError(f"{where}: {error}")
