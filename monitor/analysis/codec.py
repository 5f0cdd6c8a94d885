"""State of the analysis to plain data and back, bit for bit: dataclasses by their own annotations.

The state is written as JSON and never pickled: a checkpoint from a file must not be able to run
code. Python's JSON keeps every bit of a float; infinities and NaN inside a state survive too.
"""

from __future__ import annotations

import dataclasses
import functools
import types
import typing
from collections import deque
from collections.abc import Mapping
from enum import Enum
from typing import Any, TypeVar

__all__ = ["from_data", "to_data"]

_T = TypeVar("_T")


def to_data(value: Any) -> Any:
    """`value` as plain JSON data. Dataclasses become lists of their fields' values, in order.

    >>> to_data((1, frozenset({"b", "a"})))
    [1, ['a', 'b']]
    """
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if dataclasses.is_dataclass(value):
        names = _field_names(typing.cast(Any, type(value)))
        return [to_data(getattr(value, name)) for name in names]
    if isinstance(value, Mapping):
        return [[to_data(key), to_data(item)] for key, item in value.items()]
    if isinstance(value, (set, frozenset)):
        return sorted(to_data(item) for item in value)
    if isinstance(value, (list, tuple, deque)):
        return [to_data(item) for item in value]
    raise TypeError(f"a {type(value).__name__} cannot be kept in a checkpoint")


def from_data(kind: type[_T], data: Any) -> _T:
    """The value of type `kind` of which `to_data` made `data`.

    Raises TypeError or ValueError where the data are of another shape.
    """
    return typing.cast(_T, _decode(kind, data))


@functools.cache
def _field_names(kind: Any) -> tuple[str, ...]:
    return tuple(field.name for field in dataclasses.fields(kind))


@functools.cache
def _field_kinds(kind: Any) -> tuple[tuple[str, Any], ...]:
    hints = typing.get_type_hints(kind)
    return tuple((name, hints[name]) for name in _field_names(kind))


def _decode(kind: Any, data: Any) -> Any:
    if kind is Any or kind in (bool, int, float, str, type(None)):
        return data
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        return _decode_union(arguments, data)
    if origin is not None:
        return _decode_container(origin, arguments, data)
    if dataclasses.is_dataclass(kind):
        return _decode_dataclass(typing.cast("type[Any]", kind), data)
    return kind(data)


def _decode_union(arguments: tuple[Any, ...], data: Any) -> Any:
    if data is None:
        return None
    (kind,) = [one for one in arguments if one is not type(None)]
    return _decode(kind, data)


def _decode_container(origin: Any, arguments: tuple[Any, ...], data: Any) -> Any:
    if origin in (dict, Mapping):
        return {_decode(arguments[0], k): _decode(arguments[1], v) for k, v in data}
    if origin is tuple and (len(arguments) != 2 or arguments[1] is not Ellipsis):
        return tuple(_decode(kind, item) for kind, item in zip(arguments, data, strict=True))
    return origin(_decode(arguments[0], item) for item in data)


def _decode_dataclass(kind: type[Any], data: Any) -> Any:
    value = object.__new__(kind)
    fields = _field_kinds(typing.cast(Any, kind))
    for (name, field_kind), item in zip(fields, data, strict=True):
        object.__setattr__(value, name, _decode(field_kind, item))
    return value
