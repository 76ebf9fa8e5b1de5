# SPDX-License-Identifier: GPL-3.0-or-later
"""Read decoded JSON key by key, so that each error names its key."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

Built = TypeVar("Built")


class ConfigError(ValueError):
    """Says why the configuration cannot be used. The message names the key."""


class Keys:
    """Reads one JSON object key by key. A key that is left over at the end is unknown."""

    def __init__(self, value: object, place: str) -> None:
        if not isinstance(value, dict):
            raise ConfigError(f"{place or 'the configuration'}: an object was expected")
        self._rest = dict(value)
        self.place = place

    def name(self, key: str) -> str:
        return f"{self.place}.{key}" if self.place else key

    def take(self, key: str, kind: type | tuple[type, ...], default: Any = ...) -> Any:
        """Return the value of `key`, of type `kind`. Without it, return `default` or raise."""
        value = self._rest.pop(key, default)
        if value is ...:
            raise ConfigError(f"{self.name(key)}: is missing")
        if value is default:
            return value
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise ConfigError(f"{self.name(key)}: {value!r} has the wrong type")
        return value

    def number(self, key: str, low: float, high: float, default: float | None = None) -> float:
        value = self.take(key, (int, float), ... if default is None else default)
        if not low <= value <= high:
            raise ConfigError(f"{self.name(key)}: {value} is not within {low:g} to {high:g}")
        return float(value)

    def whole(self, key: str, low: int, high: int, default: int | None = None) -> int:
        value = self.take(key, int, ... if default is None else default)
        if not low <= value <= high:
            raise ConfigError(f"{self.name(key)}: {value} is not within {low} to {high}")
        return int(value)

    def strings(self, key: str) -> tuple[str, ...]:
        value = self.take(key, list, [])
        if not all(isinstance(item, str) for item in value):
            raise ConfigError(f"{self.name(key)}: a list of strings was expected")
        return tuple(value)

    def rates(self, key: str) -> dict[str, float]:
        """Return sentences a second by formatter."""

        def build(keys: Keys) -> dict[str, float]:
            return {
                formatter: keys.number(formatter, 0.001, 1000) for formatter in list(keys._rest)
            }

        return self.one(key, build)

    def one(self, key: str, build: Callable[[Keys], Built]) -> Built:
        """Return what `build` makes of the object under `key`, or of an empty one without it."""
        return Keys(self._rest.pop(key, {}), self.name(key)).whole_of(build)

    def maybe(self, key: str, build: Callable[[Keys], Built]) -> Built | None:
        """Do as `one` does, but return None when the key is left out or null."""
        value = self._rest.pop(key, None)
        return None if value is None else Keys(value, self.name(key)).whole_of(build)

    def each(self, key: str, build: Callable[[Keys], Built]) -> tuple[Built, ...]:
        """Return what `build` makes of each object in the list under `key`."""
        return tuple(
            Keys(item, f"{self.name(key)}[{number}]").whole_of(build)
            for number, item in enumerate(self.take(key, list, []))
        )

    def named(self, key: str, build: Callable[[str, Keys], Built]) -> tuple[Built, ...]:
        """Return what `build` makes of each name and object in the object under `key`."""
        value = self.take(key, dict, {})
        return tuple(
            Keys(item, f"{self.name(key)}.{name}").whole_of(partial(build, name))
            for name, item in value.items()
        )

    def whole_of(self, build: Callable[[Keys], Built]) -> Built:
        """Return what `build` makes of this object, provided that it takes every key."""
        built = build(self)
        if self._rest:
            raise ConfigError(f"{self.name(next(iter(self._rest)))}: is no key of boat-feed's")
        return built

    def has(self, key: str) -> bool:
        return key in self._rest
