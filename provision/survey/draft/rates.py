# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the rates of heard sentences as a profile has them: by formatter, in round numbers."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_DOWN, Context

from pydantic import TypeAdapter, ValidationError

from provision.checks.links.baud import load_share
from provision.profile.schema.types import Formatter
from provision.survey.report import Rate

#: The rate that is written for a sentence that came once: a survey measures for some ten seconds.
ONCE = 0.1

#: The share by which a rate may differ from a round number and is written as that number. Proofs
#: of a boat note a rate that differs by a quarter.
ROUND_SHARE = 0.08

#: The bounds of rates in a profile.
MIN_RATE, MAX_RATE = 0.001, 100.0

_FORMATTER = TypeAdapter[str](Formatter)


def rates_of(sentences: Mapping[str, Rate | None]) -> dict[str, float]:
    """Return the rates per second by formatter of what came, by address.

    An address that no profile can name is left out.

    >>> rates_of({"GPRMC": Rate(0.98, 0.9, 1.1), "GPGSV": Rate(2.0, 2, 2), "GLGSV": None})
    {'RMC': 1.0, 'GSV': 2.0}
    """
    found: dict[str, float] = {}
    for address, rate in sentences.items():
        formatter = address if address.startswith("P") else address[-3:]
        if is_formatter(formatter):
            found[formatter] = found.get(formatter, 0.0) + (rate.mean if rate else ONCE)
    return {name: round_rate(rate) for name, rate in found.items()}


def is_formatter(text: str) -> bool:
    """Report whether a profile takes a sentence's formatter."""
    try:
        _FORMATTER.validate_python(text)
    except ValidationError:
        return False
    return True


def round_rate(rate: float) -> float:
    """Round to a whole number, a half, a quarter or a tenth that is near, or to two digits.

    >>> round_rate(0.97), round_rate(9.6), round_rate(0.48), round_rate(0.67), round_rate(3.4)
    (1.0, 10.0, 0.5, 0.67, 3.4)
    """
    rate = min(max(rate, MIN_RATE), MAX_RATE)
    for near in (float(round(rate)), 0.5, 0.25, 0.2, 0.1):
        if near and abs(rate - near) <= ROUND_SHARE * near:
            return near
    return float(f"{rate:.2g}")


def fit(rates: Mapping[str, float], baud: int) -> tuple[dict[str, float], bool]:
    """Lower rates that the sums of `check` take for more than the baud rate can carry.

    They came over the line, so that their sentences are shorter than the sums take them for.
    Return the rates, and whether they were lowered.
    """
    share = load_share(rates, baud)
    if share <= 1:
        return dict(rates), False
    # To two digits, downwards: rounded up they might not fit.
    return {name: _down(rate / share) for name, rate in rates.items()}, True


def _down(rate: float) -> float:
    """Round to two digits, downwards.

    >>> _down(0.0999), _down(3.49)
    (0.099, 3.4)
    """
    return max(float(Context(prec=2, rounding=ROUND_DOWN).create_decimal(repr(rate))), MIN_RATE)
