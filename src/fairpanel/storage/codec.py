"""The contract's dataclasses to JSON text and back, every number exactly.

A body carries the number of its form, so that it can be understood after the dataclasses have moved on.
Python's JSON writes the shortest decimal that reads back as the same double; what JSON has no word for
(infinite, not a number) is written as `{"~number": "inf"}`. Arrays become lists.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import numpy as np

from fairpanel.measured import Component, Measured
from fairpanel.methods.contract import Mark, Outline, Reading, Refusal, Result
from fairpanel.storage.errors import BenchError

FORM = 1
"""Form of the bodies written now. Raise it when a dataclass changes so that old bodies need turning."""

_NUMBER = "~number"

T = TypeVar("T")


class UnreadableRecord(BenchError):
    """A body on the bench is not one this program knows."""


# ---- plain data --------------------------------------------------------------------------------------------


def plain(value: Any) -> Any:
    """Dataclasses, arrays, tuples and numpy's numbers as lists, mappings, text and plain numbers.

    Raises
    ------
    TypeError
        Something that has no exact place in JSON; the message names its type.
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.ndarray | np.generic):
        return _of_array(value)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return _of_float(value)
    if isinstance(value, Mapping):
        return _of_mapping(value)
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    raise TypeError(f"{type(value).__name__} cannot be kept on the bench; give plain numbers, text, lists or mappings")


def _of_array(value: np.ndarray | np.generic) -> Any:
    if value.dtype.kind not in "biufUO" or (value.dtype.itemsize > 8 and value.dtype.kind in "f"):
        raise TypeError(f"an array of {value.dtype} cannot be kept exactly on the bench")
    listed = value.tolist()
    return plain(listed) if value.dtype.kind in "fO" else listed


def _of_float(value: float) -> Any:
    return float(value) if math.isfinite(value) else {_NUMBER: repr(float(value))}


def _of_mapping(value: Mapping[Any, Any]) -> dict[str, Any]:
    for key in value:
        if not isinstance(key, str) or key == _NUMBER:
            raise TypeError(f"{key!r} cannot be a key in a body on the bench; use text")
    return {str(k): plain(v) for k, v in value.items()}


def dumps(value: Any) -> str:
    """Anything `plain` understands, as JSON text."""
    return _written(plain(value))


def _written(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def loads(text: str) -> Any:
    """What `dumps` wrote.

    >>> loads(dumps({"dof": float("inf"), "tones": np.array([0.1, 0.25])}))
    {'dof': inf, 'tones': [0.1, 0.25]}
    """
    return json.loads(text, object_hook=_number_again)


def _number_again(found: dict[str, Any]) -> Any:
    return float(found[_NUMBER]) if len(found) == 1 and _NUMBER in found else found


# ---- the contract's dataclasses ----------------------------------------------------------------------------


def body_of(thing: Any) -> str:
    """An Outline, Mark, Reading, Result, Refusal or Measured as JSON text, with the number of its form."""
    return _written({"form": FORM, **plain(thing)})


def from_body(kind: type[T], text: str) -> T:
    """The dataclass again.

    Raises
    ------
    UnreadableRecord
        The body is of a form or holds a field that this program does not know.
    """
    body = loads(text)
    form = body.pop("form", None)
    if form != FORM:
        raise UnreadableRecord(
            f"A {kind.__name__.lower()} on the bench is of form {form}; this program knows form {FORM}. Use "
            "the newer program the bench was written with."
        )
    restored: T = _restored(kind, body)
    return restored


def _restored(kind: type[Any], body: Mapping[str, Any]) -> Any:
    if unknown := body.keys() - _names(kind):
        raise UnreadableRecord(
            f"A {kind.__name__.lower()} on the bench has fields unknown here: {', '.join(sorted(unknown))}. "
            "Use the program the bench was written with."
        )
    again = _AGAIN.get(kind)
    if not again:
        return kind(**body)
    return kind(**{name: again[name](value) if name in again else value for name, value in body.items()})


def _names(kind: type[Any]) -> frozenset[str]:
    """Names of a dataclass's fields; asked for with every record, so remembered."""
    if kind not in _FIELDS:
        _FIELDS[kind] = frozenset(f.name for f in dataclasses.fields(kind))
    return _FIELDS[kind]


_FIELDS: dict[type[Any], frozenset[str]] = {}


def _measured(value: dict[str, Any] | None) -> Measured | None:
    return None if value is None else _restored(Measured, value)


def _components(values: list[dict[str, Any]]) -> tuple[Component, ...]:
    return tuple(_restored(Component, v) for v in values)


def _pair(values: list[Any] | None) -> tuple[Any, ...] | None:
    return None if values is None else tuple(values)


def polygon(corners: list[Any]) -> np.ndarray:
    """Corners as an (n, 2) array again."""
    return np.array(corners, dtype=float).reshape(-1, 2)


_AGAIN: dict[type, dict[str, Callable[[Any], Any]]] = {
    Measured: {"components": _components, "flags": tuple},
    Outline: {"polygon": polygon},
    Mark: {"flags": tuple},
    Reading: {"row_ids": tuple, "measured": _measured, "limits": _pair, "flags": tuple},
    Result: {"measured": _measured, "readings": tuple, "limits": _pair, "flags": tuple},
    Refusal: {},
}
