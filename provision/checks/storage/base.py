# SPDX-License-Identifier: GPL-3.0-or-later
"""Check how old the packages are that a boat's next card would get from the cache."""

from __future__ import annotations

import time
from collections.abc import Iterator

from provision.card.base.age import OLD_DAYS, count_days, describe_age, is_old, read_date
from provision.checks.figure import Figure
from provision.checks.finding import Finding
from provision.errors import UserError
from provision.paths import argument
from provision.profile.load import Boat

#: The key of this warning in `accepted:`.
CHECK = "base-age"

_SOURCE = "a choice of ours: three of Debian's point releases"


def _read_facts(boat: Boat) -> dict[str, object] | None:
    """Return the facts of the base in the cache. None if the next card gets a new one.

    `card` names what is wrong with a base that cannot be read.
    """
    # Other checks need none of what building a base imports.
    from provision.boards import board  # noqa: PLC0415
    from provision.card.base.cache import find_base  # noqa: PLC0415

    try:
        base = find_base(board(boat.profile.board))
        return base.facts if base else None
    except (UserError, OSError, ValueError):
        return None


def check(boat: Boat) -> Iterator[Finding]:
    """Warn of a base in the cache whose packages are old."""
    facts, now = _read_facts(boat), time.time()
    date = read_date(facts or {})
    if facts is not None and date is not None and is_old(date, now):
        yield Finding(
            "warning",
            CHECK,
            f"the base in the cache, which its next card would get, has {describe_age(facts, now)}",
            boat.location("board"),
            _help(boat),
        )


def figures(boat: Boat) -> Iterator[Figure]:
    """Calculate the days since the packages were published that the next card would get."""
    date, now = read_date(_read_facts(boat) or {}), time.time()
    if date is not None:
        yield Figure(
            CHECK,
            "the packages of the base in the cache",
            count_days(date, now),
            "days old",
            _SOURCE,
            limit=OLD_DAYS,
            verdict="warning" if is_old(date, now) else "fine",
            help=_help(boat),
            key="board",
        )


def _help(boat: Boat) -> str:
    return f"with a network: provision card {argument(boat.file)} --fresh -o {boat.name}.img"
