# SPDX-License-Identifier: GPL-3.0-or-later
"""Calculate what the computer takes from the boat's battery, and for how long it lasts."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.figure import Figure, find_broken_limits, judge
from provision.checks.finding import Finding
from provision.checks.power.drawn import drawn, find_missing, unknown
from provision.profile.load import Boat

#: Days without charging that a battery should last. Common practice.
MIN_DAYS = 1.0

HOURS_A_DAY = 24


def check(boat: Boat) -> Iterator[Finding]:
    """Find a battery that does not last for a day."""
    yield from find_broken_limits(boat, list(figures(boat)))


def figures(boat: Boat) -> Iterator[Figure]:
    """Calculate watts, ampere-hours a day, and days on the battery."""
    supply = boat.profile.supply
    if supply is None:
        yield unknown("supply", "what the computer takes from the boat's battery", "supply")
        return
    mean, converter, battery = drawn(boat, supply).mean_watts, supply.converter, supply.battery
    power = "what the computer takes from the boat"
    energy = "what it takes in a day"
    lasts = "how long the battery lasts without charging"
    if mean is None or converter is None:
        missing = find_missing({"supply.watts": mean, "supply.converter": converter})
        yield unknown("supply-power", power, *missing)
        yield unknown("supply-energy", energy, *missing)
        yield unknown("supply-days", lasts, *missing)
        return
    watts = mean / converter.efficiency
    amp_hours = watts * HOURS_A_DAY / supply.volts
    reaches = f"{mean:.3g} W and the converter's efficiency of {converter.efficiency:.0%}"
    yield _figure("supply-power", power, watts, "W", reaches)
    yield _figure("supply-energy", energy, amp_hours, "Ah", f"at {supply.volts} V")
    if battery is None:
        yield unknown("supply-days", lasts, "supply.battery")
        return
    days = battery.ah * battery.usable / amp_hours
    yield Figure(
        "supply-days",
        lasts,
        days,
        "days",
        f"on {battery.usable:.0%} of its capacity; the limit is common practice",
        limit=MIN_DAYS,
        bound="least",
        verdict=judge(days, MIN_DAYS, "least", "warning"),
        help="charge it oftener, take a larger battery, or a computer that draws less",
        key="supply.battery",
        electrical=True,
    )


def _figure(subject: str, name: str, value: float, unit: str, source: str) -> Figure:
    return Figure(subject, name, value, unit, source, key="supply", electrical=True)
