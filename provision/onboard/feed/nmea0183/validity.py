# SPDX-License-Identifier: GPL-3.0-or-later
"""Decide which sentences carry valid data, from their status, mode and data fields.

One table serves the choice of a source, the listening links, and the clock. Fields are counted
from 0, behind the address. The layouts are those of IEC 61162-1, from memory. The tests compare
every field that is named here with the layouts of pynmeagps 1.1.8 and pynmea2 1.19. pynmeagps
has no VWR, VWT, DBS and DBK, and no mode in BEC. pynmea2 has VWR, VWT and DBS, and no THS, HCR,
HMR, ROR and CUR. DBK alone is in neither.

Left out on purpose, because they say nothing about validity: alarms at arrival (APB, RMB, AAM),
a target's status (TTM, TLL), the navigational status of RMC and GNS, which receivers send as
`V` when they do not provide it, how residuals were computed (GRS), and whether a command or
a report was sent (HSC, HTC).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from provision.onboard.feed.nmea0183.kinds import KIND_OF
from provision.onboard.feed.nmea0183.sentence import Sentence

#: Modes of data that are estimated (by dead reckoning), from manual input, not valid or from
#: a simulator (IEC 61162-1). V is the heading sentences' letter for 'not valid'.
VOID_MODES = "EMNSV"

#: Qualities of a valid fix in GGA. 6, 7 and 8 are estimated, manual input and simulator, 0 is no
#: fix.
VALID_QUALITIES = frozenset("12345")


def _status(value: str | None) -> bool:
    """Accept A for valid. Sentences older than the field end without it."""
    return value is None or value == "A"


def _lock(value: str | None) -> bool:
    """Refuse V, a warning. A receiver that does not use the field may leave it empty."""
    return value != "V"


def _mode(value: str | None) -> bool:
    """Accept a mode that is not void. Older sentences end without it or leave it empty."""
    return not value or value not in VOID_MODES


def _heading_mode(value: str | None) -> bool:
    """Accept A for autonomous. These sentences have always had the field, and never empty."""
    return value == "A"


def _modes(value: str | None) -> bool:
    """Read one letter a satellite system, of which at least one must have a valid fix."""
    return bool(value and value.strip(VOID_MODES))


def _quality(value: str | None) -> bool:
    return value in VALID_QUALITIES


class Check(NamedTuple):
    """Names a field that says whether data are valid, and its reader. The reader gets None when
    the sentence has no such field.
    """

    field: int
    valid: Callable[[str | None], bool]


class Datum(NamedTuple):
    """Names fields that carry one datum together, if no field is empty and no check objects."""

    fields: tuple[int, ...]
    checks: tuple[Check, ...]
    of_kind: bool
    """True if the sentence's source is chosen by this datum."""

    def is_valid(self, values: Sequence[str]) -> bool:
        """Report whether a sentence with these field values carries this datum."""
        size = len(values)
        return all(index < size and values[index] for index in self.fields) and all(
            check.valid(values[check.field] if check.field < size else None)
            for check in self.checks
        )


def _data(
    *fields: int | tuple[int, ...], checks: Iterable[Check] = (), of_kind: bool = True
) -> tuple[Datum, ...]:
    """Return one datum for each of `fields`, under the same checks."""
    return tuple(
        Datum(index if isinstance(index, tuple) else (index,), tuple(checks), of_kind)
        for index in fields
    )


def _beside(*fields: int | tuple[int, ...], checks: Iterable[Check] = ()) -> tuple[Datum, ...]:
    return _data(*fields, checks=checks, of_kind=False)


def _warnings(mode: int | None = None) -> list[Check]:
    """Return the general warning and the lock warning that some steering sentences begin with."""
    checks = [Check(0, _status), Check(1, _lock)]
    return checks if mode is None else [*checks, Check(mode, _mode)]


DATA: dict[str, tuple[Datum, ...]] = {
    # Position, with course and speed over ground.
    "GGA": _data((1, 2, 3, 4), checks=[Check(5, _quality)]),
    "GLL": _data((0, 1, 2, 3), checks=[Check(5, _status), Check(6, _mode)]),
    "GNS": _data((1, 2, 3, 4), checks=[Check(5, _modes)]),
    "RMC": (
        *_data((2, 3, 4, 5), checks=[Check(1, _status), Check(11, _mode)]),
        *_beside(6, 7, checks=[Check(1, _status), Check(11, _mode)]),
    ),
    "VTG": _beside(0, 2, 4, 6, checks=[Check(8, _mode)]),
    "RMA": _data((1, 2, 3, 4), checks=[Check(0, _status)]),
    # Heading. A rate of turn is not a heading.
    "HDG": _data(0),
    "HDT": _data(0),
    "HDM": _data(0),
    "THS": _data(0, checks=[Check(1, _heading_mode)]),
    "HCR": _data(0, checks=[Check(1, _heading_mode)]),
    "HMR": (
        *_data(5, checks=[Check(6, _status)]),
        *_data(10, checks=[Check(11, _status)]),
    ),
    "OSD": _data(0, checks=[Check(1, _status)]),
    "ROT": _beside(0, checks=[Check(1, _status)]),
    # Depth, in feet, metres or fathoms.
    "DPT": _data(0),
    "DBT": _data(0, 2, 4),
    "DBS": _data(0, 2, 4),
    "DBK": _data(0, 2, 4),
    # Wind: an angle and a speed.
    "MWV": _data((0, 2), checks=[Check(4, _status)]),
    "MWD": _data((0, 4), (0, 6), (2, 4), (2, 6)),
    "VWR": _data((0, 2), (0, 4), (0, 6)),
    "VWT": _data((0, 2), (0, 4), (0, 6)),
    # Speed through the water. Heading, speed over ground and distance are beside it.
    "VHW": (*_data(4, 6), *_beside(0, 2)),
    "VBW": (
        *_data(0, checks=[Check(2, _status)]),
        *_beside(1, checks=[Check(2, _status)]),
        *_beside(3, 4, checks=[Check(5, _status)]),
        *_beside(6, checks=[Check(7, _status)]),
        *_beside(8, checks=[Check(9, _status)]),
    ),
    "VLW": _beside(0, 2, 4, 6),
    "CUR": _data(4, 6, checks=[Check(0, _status)]),
    # Temperature and time.
    "MTW": _data(0),
    "ZDA": (*_data((0, 1, 2, 3)), *_beside(0)),
    # Engine and rudder.
    "RPM": _data(2, checks=[Check(4, _status)]),
    "RSA": (
        *_data(0, checks=[Check(1, _status)]),
        *_data(2, checks=[Check(3, _status)]),
    ),
    "ROR": (
        *_data(0, checks=[Check(1, _status)]),
        *_data(2, checks=[Check(3, _status)]),
    ),
    # Data that an autopilot follows to a waypoint.
    "APA": _data(2, 7, checks=_warnings()),
    "APB": _data(2, 7, 10, 12, checks=_warnings(14)),
    "XTE": _data(2, checks=_warnings(5)),
    "RMB": _data(1, 9, 10, 11, checks=[Check(0, _status), Check(13, _mode)]),
    "BEC": _data(5, 7, 9, checks=[Check(12, _mode)]),
    "BWC": _data(5, 7, 9, checks=[Check(12, _mode)]),
    "BWR": _data(5, 7, 9, checks=[Check(12, _mode)]),
    "WCV": _data(0, checks=[Check(3, _mode)]),
    "XTR": _data(0),
    "HSC": _data(0, 2),
    "BOD": _data(0, 2),
    "BWW": _data(0, 2),
}

#: Follow the chosen source, but do not count as a sign of life: satellites in view are no fix,
#: a rate of turn is no heading, and a log that stands still has a distance.
MUTE = frozenset(
    formatter
    for formatter in KIND_OF
    if not any(datum.of_kind for datum in DATA.get(formatter, ()))
)


def says_something(sentence: Sentence) -> bool:
    """Report whether a sentence carries valid data of its kind: its source is alive."""
    data = DATA.get(sentence.formatter, ())
    values = sentence.fields
    return any(datum.of_kind and datum.is_valid(values) for datum in data)


def is_void(sentence: Sentence) -> bool:
    """Report whether a sentence carries no valid data at all: it must not reach a pilot.

    A formatter that the table does not have is never void.
    """
    data = DATA.get(sentence.formatter)
    if data is None:
        return False
    values = sentence.fields
    return not any(datum.is_valid(values) for datum in data)
