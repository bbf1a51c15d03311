"""Checked reading of TOML tables: every complaint names the file, the field, the value and what is accepted."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from keybench.errors import KeybenchError

_NAMES = {str: "text", int: "a whole number", float: "a number", bool: "true or false", list: "a list", dict: "a table"}


class Fields:
    """A TOML table whose fields are taken out one by one; `finish` complains of those that nobody took.

    Parameters
    ----------
    table : dict
    where : str
        What the complaints start with: the file, and the table inside it.
    error : type
        The exception to raise.
    """

    def __init__(self, table: dict[str, Any], where: str, error: type[KeybenchError]):
        self._left = dict(table)
        self.where = where
        self._error = error

    def fail(self, text: str) -> KeybenchError:
        """Return the exception, to be raised by the caller."""
        return self._error(f"{self.where}: {text}")

    def take(self, name: str, kind: type, default: Any = ..., accepted: Iterable[Any] | None = None) -> Any:
        """Return one field, checked; without a default it must be there."""
        if name not in self._left:
            if default is ...:
                raise self.fail(f"field {name!r} is missing; accepted: {_NAMES[kind]}")
            return default
        value = self._left.pop(name)
        if kind is float and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if kind is float and isinstance(value, float) and not math.isfinite(value):
            raise self.fail(f"field {name!r} is {value}; accepted: a finite number")
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise self.fail(f"field {name!r} is {value!r}; accepted: {_NAMES[kind]}")
        if accepted is not None:
            choices = list(accepted)
            for item in value if isinstance(value, list) else [value]:
                if item not in choices:
                    raise self.fail(f"field {name!r} holds {item!r}; accepted: {', '.join(map(str, choices))}")
        return value

    def peek(self, name: str, default: Any) -> Any:
        """Return one field unchecked, and leave it to be taken."""
        return self._left.get(name, default)

    def table(self, name: str, default: Any = ...) -> Any:
        """Return a sub-table, as `Fields` of its own; None where it is absent and the default is None."""
        found = self.take(name, dict, default)
        return None if found is None else Fields(found, f"{self.where} [{name}]", self._error)

    def finish(self) -> None:
        """Complain if a field was not recognised (a typing slip would otherwise go unseen)."""
        if self._left:
            raise self.fail(f"unknown field {next(iter(self._left))!r}; see the shipped files for those that exist")


def read_toml(path: Path, error: type[KeybenchError]) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    KeybenchError
        Of the type `error`: if the file is absent, is not text, or is not TOML.
    """
    try:
        with open(path, "rb") as file:
            table = tomllib.load(file)
    except FileNotFoundError:
        raise error(f"{path}: no such file") from None
    except OSError as problem:
        raise error(f"{path}: cannot be read ({problem.strerror})") from None
    except (ValueError, RecursionError) as problem:  # also text that is no UTF-8, a NUL in the path, lists in lists
        raise error(f"{path}: not valid TOML ({problem})") from None
    if not table:
        raise error(f"{path}: the file is empty; see the shipped files for the fields that it needs")
    return table
