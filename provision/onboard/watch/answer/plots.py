# SPDX-License-Identifier: GPL-3.0-or-later
"""Choose what of the history is drawn, and say the same in words.

A plot is one value for each bin of a period, the present one last: from 0 (nothing is drawn) to 1
(the greatest). None stands for a bin in which nothing is known, such as one with the computer off.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from provision.onboard.watch.answer.words import minutes_of, size_of

Values = Sequence[float | None]

#: Degrees Celsius at the bottom and at the top of a plot of the temperature.
COOLEST, HOTTEST = 0, 90


class Plot(NamedTuple):
    """Holds what is drawn of one subject, and a text that says the same."""

    name: str
    text: str
    values: Values


def make_plots(period: Mapping[str, Any]) -> list[Plot]:
    """Return the plots of a period of the answer. Figures that nobody tells have none."""
    return [*_links(period), *_starts(period), *_computer(period), *_card(period)]


def _links(period: Mapping[str, Any]) -> Iterator[Plot]:
    for name, missed in period["links"].items():
        values = [
            min(count / minutes, 1.0) if minutes and count is not None else None
            for count, minutes in zip(missed, period["minutes"], strict=True)
        ]
        yield Plot(name, _link_text(period["whole"]["links"][name]), values)


def _link_text(counts: Mapping[str, int]) -> str:
    judged = sum(counts.values())
    missed = [
        f"{state} for {minutes_of(counts[state])}"
        for state in ("absent", "silent", "garbled")
        if counts[state]
    ]
    return f"{', '.join(missed)} of {minutes_of(judged)}" if missed else "always heard"


def _starts(period: Mapping[str, Any]) -> Iterator[Plot]:
    whole, on = period["whole"], period["minutes"]
    cuts = whole["power_cuts"]
    after = "" if cuts is None else f", {cuts} after a power cut"
    values = _scaled(period["starts"], on)
    yield Plot("Starts", f"{whole['starts']}{after}", values)
    if (restarts := whole["sums"].get("restarts")) is not None:
        again = f"restarted {restarts} times" if restarts > 1 else "restarted once"
        text = again if restarts else "ran on"
        yield Plot("Feed", text, _scaled(period["figures"]["restarts"], on))


def _computer(period: Mapping[str, Any]) -> Iterator[Plot]:
    whole, figures, on = period["whole"], period["figures"], period["minutes"]
    if (low := whole["sums"].get("low")) is not None:
        text = f"too low in {minutes_of(low)}" if low else "always enough"
        yield Plot("Supply", text, _scaled(figures["low"], on))
    if "celsius" in whole["most"]:
        slowed = whole["sums"].get("slowed")
        slow = f", slowed down for {minutes_of(slowed)}" if slowed else ""
        text = f"{whole['least']['celsius']} to {whole['most']['celsius']} °C{slow}"
        yield Plot(
            "Temperature", text, [_share(one, COOLEST, HOTTEST) for one in figures["celsius"]]
        )
    if "memory" in whole["least"]:
        free = figures["memory"]
        text = f"at least {whole['least']['memory']} MiB free"
        yield Plot("Memory", text, [_share(one, 0, _greatest(free)) for one in free])
    if "overlay" in whole["most"]:
        text = f"up to {whole['most']['overlay']} % full"
        yield Plot("Overlay", text, [_share(one, 0, 100) for one in figures["overlay"]])


def _card(period: Mapping[str, Any]) -> Iterator[Plot]:
    whole, on = period["whole"], period["minutes"]
    written, most = whole["sums"].get("written"), whole["most"]
    if written is None and "data" not in most:
        return
    parts = [f"{size_of(written)} written"] if written is not None else []
    parts += [f"{most['data']} % full"] if "data" in most else []
    parts += [f"{most['errors']} errors"] if most.get("errors") else []
    parts += ["took no writes"] if most.get("readonly") else []
    yield Plot(
        "Card", ", ".join(parts), _scaled(period["figures"].get("written", [None] * len(on)), on)
    )


def _scaled(counts: Sequence[int | None], minutes: Sequence[int]) -> Values:
    """Draw the greatest count as 1, and nothing where the computer was off."""
    most = _greatest(counts)
    return [
        None if count is None or not (count or on) else count / most
        for count, on in zip(counts, minutes, strict=True)
    ]


def _greatest(counts: Sequence[int | None]) -> int:
    return max((count for count in counts if count is not None), default=0) or 1


def _share(value: float | None, least: float, most: float) -> float | None:
    return None if value is None else max(0.0, min(1.0, (value - least) / (most - least)))


def coarser(values: Values, count: int) -> list[float | None]:
    """Return `count` values, each the greatest of its share of `values`.

    >>> coarser([None, None, 0.0, 0.0, 0.5, 1.0], 3)
    [None, 0.0, 1.0]
    """
    size = max(len(values) // count, 1)
    shares = [values[start : start + size] for start in range(0, size * count, size)]
    known = [[value for value in share if value is not None] for share in shares]
    return [max(share, default=None) for share in known]
