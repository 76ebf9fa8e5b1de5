# SPDX-License-Identifier: GPL-3.0-or-later
"""Filter sentences by talker, formatter and origin: only these, or all but these."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Pattern:
    """Matches when each field that it names is equal. None stands for any value."""

    talker: str | None = None
    formatter: str | None = None
    link: str | None = None
    """The link or input that the sentence came from."""

    def __post_init__(self) -> None:
        if self.talker is None and self.formatter is None and self.link is None:
            raise ValueError("names neither talker, formatter nor link")

    def matches(self, origin: str, talker: str, formatter: str) -> bool:
        return (
            self.talker in (None, talker)
            and self.formatter in (None, formatter)
            and self.link in (None, origin)
        )


@dataclass(frozen=True)
class Filter:
    """Passes what `only` names (None: everything), without what `but` names."""

    only: tuple[Pattern, ...] | None = None
    but: tuple[Pattern, ...] = ()

    def passes(self, origin: str, talker: str, formatter: str) -> bool:
        if self.only is not None and not any(
            pattern.matches(origin, talker, formatter) for pattern in self.only
        ):
            return False
        return not any(pattern.matches(origin, talker, formatter) for pattern in self.but)
