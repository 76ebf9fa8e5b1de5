# SPDX-License-Identifier: GPL-3.0-or-later
"""Choose for each value the source that the feed believes, and say how old the value is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from provision.onboard.feed.nmea0183.kinds import KIND_OF
from provision.onboard.page.facts.config import PageConfig
from provision.onboard.page.facts.decode import READERS, Value, decode, promised
from provision.onboard.page.view.text import clean

#: Names of the values, in the order in which they are shown.
NAMES: Mapping[str, str] = {
    "depth-below-keel": "Depth below the keel",
    "depth-below-transducer": "Depth below the transducer",
    "depth-water": "Depth of the water",
    "speed-over-ground": "Speed over ground",
    "course-over-ground": "Course over ground",
    "heading": "Heading",
    "position": "Position",
    "apparent-wind-angle": "Wind felt aboard, angle",
    "apparent-wind-speed": "Wind felt aboard, speed",
    "true-wind-angle": "True wind, angle",
    "true-wind-speed": "True wind, speed",
    "true-wind-direction": "True wind, from",
    "speed-through-water": "Speed through the water",
    "rate-of-turn": "Rate of turn",
    "off-track": "Off the track",
    "heading-to-steer": "Heading to steer",
    "sea-temperature": "Sea temperature",
    "time": "Time of the receiver",
}

#: Seconds after which a value is late, and after which it is no longer shown as one. Of a slow
#: sentence these many of its intervals.
LATE_S, OLD_S = 3.0, 30.0
LATE_INTERVALS, OLD_INTERVALS = 3.0, 10.0


class _Candidate(NamedTuple):
    rank: tuple[int, int, int]
    state: str
    value: Value | None
    source: str
    age: float | None


def describe_values(config: PageConfig, state: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """Return plain data of all values that are heard or promised.

    The state of a value is fresh, late, old, void (its sentence says that it is not valid) or
    never (not heard since the feed started).
    """
    best: dict[str, _Candidate] = {}
    for key, candidate in _candidates(config, state):
        if key not in best or candidate.rank < best[key].rank:
            best[key] = candidate
    return [_describe(key, best[key]) for key in NAMES if key in best]


def _describe(key: str, chosen: _Candidate) -> dict[str, Any]:
    value = chosen.value
    return {
        "key": key,
        "name": NAMES[key],
        "text": list(value.text) if value else [],
        "unit": value.unit if value else "",
        "source": clean(chosen.source),
        "age": chosen.age,
        "state": chosen.state,
    }


def _candidates(
    config: PageConfig, state: Mapping[str, Any] | None
) -> Iterator[tuple[str, _Candidate]]:
    known = {**state["links"], **state["inputs"]} if state else {}
    believed = {kind: one.get("source") for kind, one in (state or {}).get("believed", {}).items()}
    for order, name in enumerate(dict.fromkeys([*config.sources, *known])):
        talks = config.sources[name].talks if name in config.sources else {}
        last = known.get(name, {}).get("last", {})
        heard = {key[:3] for key in last}
        for formatter in talks:
            for key in promised(formatter) if formatter not in heard else ():
                yield key, _Candidate((5, 0, order), "never", None, name, None)
        for place, formatter in enumerate(READERS):
            chosen = believed.get(KIND_OF.get(formatter[:3], ""))
            if formatter in last and chosen in (None, name):
                yield from _read(formatter, last[formatter], (place, order), name, talks)


_RANKS = {"fresh": 0, "late": 1, "old": 2, "void": 3}


def _read(
    formatter: str,
    last: tuple[float, str],
    place: tuple[int, int],
    source: str,
    talks: Mapping[str, float],
) -> Iterator[tuple[str, _Candidate]]:
    age, raw = last
    interval = 1.0 / talks.get(formatter[:3], 1.0)
    state = "fresh"
    if age > max(LATE_S, LATE_INTERVALS * interval):
        state = "old" if age > max(OLD_S, OLD_INTERVALS * interval) else "late"
    values = decode(formatter, raw)
    for key, value in values.items():
        yield key, _Candidate((_RANKS[state], *place), state, value, source, age)
    for key in promised(formatter, raw) if not values else ():
        yield key, _Candidate((_RANKS["void"], *place), "void", None, source, age)
