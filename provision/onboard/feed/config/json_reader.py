# SPDX-License-Identifier: GPL-3.0-or-later
"""Read decoded JSON into dataclasses by the types of their fields. Each error names its key.

    class Tcp:                                          {"port": 10110, "only": [...]}
        port: Annotated[int, between(1, 65535)]
        filter: Annotated[Filter, INLINE]

A key has its field's name, unless `Key` names it. `tuple` is a list. A tuple of dataclasses with a
field `name` is an object of objects by name. Of a union of dataclasses the object is the first one
that it has all required keys of. A class with `parse` is made of a string. What stands behind a
type in `Annotated` is called with the value, and returns it or raises ValueError with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

Built = TypeVar("Built")

#: Marks a dataclass whose keys stand among those of the object around it.
INLINE = object()


class ConfigError(ValueError):
    """Says why the configuration cannot be used. The message names the key."""


@dataclass(frozen=True)
class Key:
    """Names the key of a field that has another name."""

    name: str


def between(low: float, high: float) -> Callable[[float], float]:
    """Return a check of a number."""

    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"{value} is not within {low} to {high}")
        return value

    return check


def read(kind: type[Built], value: object, location: str = "") -> Built:
    """Return a dataclass read from a JSON object. ConfigError names the key below `place`."""
    return cast("Built", _object(kind, value, location))


def _join(location: str, key: str) -> str:
    return f"{location}.{key}" if location else key


def _object(kind: Any, value: object, location: str, **named: str) -> Any:
    if not isinstance(value, dict):
        raise ConfigError(f"{location or 'the configuration'}: an object was expected")
    rest = dict(value)
    built = _fields(kind, rest, location, named)
    if rest:
        raise ConfigError(f"{_join(location, next(iter(rest)))}: is no key of boat-feed's")
    return built


@cache
def _keys(kind: Any) -> list[tuple[str, Any, Field[Any]]]:
    """List the fields of a dataclass that JSON may set, with their keys and types."""
    hints = get_type_hints(kind, include_extras=True)
    listed = []
    for field in fields(kind):
        marks = getattr(hints[field.name], "__metadata__", ())
        key = next((mark.name for mark in marks if isinstance(mark, Key)), field.name)
        listed.append((key, hints[field.name], field))
    return [(key, hint, field) for key, hint, field in listed if field.init]


def _is_required(field: Field[Any]) -> bool:
    return field.default is MISSING and field.default_factory is MISSING


def _fields(kind: Any, rest: dict[str, Any], location: str, taken: dict[str, Any]) -> Any:
    """Build a dataclass of the keys that are its own, and take them out of `rest`."""
    for key, hint, field in _keys(kind):
        if INLINE in getattr(hint, "__metadata__", ()):
            taken[field.name] = _fields(hint.__origin__, rest, location, {})
        elif key in rest:
            taken[field.name] = _value(hint, rest.pop(key), _join(location, key))
        elif _is_required(field) and field.name not in taken:
            raise ConfigError(f"{_join(location, key)}: is missing")
    return _called(kind, location, **taken)


def _called(make: Callable[..., Any], location: str, *values: Any, **named: Any) -> Any:
    try:
        return make(*values, **named)
    except ValueError as error:
        raise ConfigError(f"{location}: {error}") from None


def _value(hint: Any, value: Any, location: str) -> Any:
    kind, args = get_origin(hint), get_args(hint)
    if kind is Annotated:
        made = _value(args[0], value, location)
        for check in filter(callable, args[1:]):
            made = _called(check, location, made)
        return made
    if kind in (Union, UnionType):
        missing = value is None and NoneType in args
        return None if missing else _value(_fitting(args, value), value, location)
    if kind in (tuple, frozenset):
        return kind(_items(args[0], value, location))
    if kind is Mapping:
        return {
            _value(args[0], key, location): _value(args[1], item, _join(location, key))
            for key, item in _typed(value, dict, location).items()
        }
    return _plain(hint, value, location)


def _plain(kind: Any, value: Any, location: str) -> Any:
    """Read a value of a class, which is not made of other types."""
    if is_dataclass(kind):
        return _object(kind, value, location)
    if parse := getattr(kind, "parse", None):
        return _called(parse, location, _typed(value, str, location))
    if kind is float:
        return float(_typed(value, (int, float), location))
    return _typed(value, kind, location)


def _items(hint: Any, value: Any, location: str) -> list[Any]:
    kinds = get_args(hint) if get_origin(hint) is UnionType else (hint,)
    if all("name" in getattr(kind, "__dataclass_fields__", ()) for kind in kinds):
        return [
            _object(_fitting(kinds, item), item, _join(location, name), name=name)
            for name, item in _typed(value, dict, location).items()
        ]
    listed = enumerate(_typed(value, list, location))
    return [_value(hint, item, f"{location}[{number}]") for number, item in listed]


def _fitting(kinds: tuple[Any, ...], value: Any) -> Any:
    """Return the first dataclass that an object has all required keys of, else the first type."""
    classes = [kind for kind in kinds if kind is not NoneType and isinstance(value, dict)]
    for kind in classes if len(classes) > 1 else ():
        required = {key for key, _, field in _keys(kind) if _is_required(field)} - {"name"}
        if required <= value.keys():
            return kind
    return kinds[0]


def _typed(value: Any, kind: type | tuple[type, ...], location: str) -> Any:
    if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
        raise ConfigError(f"{location}: {value!r} has the wrong type")
    return value
