# SPDX-License-Identifier: GPL-3.0-or-later
"""Say what a computer draws, and how to find the values that electrical sums need."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from provision import boards
from provision.checks.figure import Figure
from provision.checks.power.usb import usb_loads
from provision.profile.load import Boat
from provision.profile.schema.supply import SupplyConfig

#: USB 2.0 specification.
USB_VOLTS = 5.0

#: Ways to find a value that a sum needs, by its key.
FIND_VALUE = {
    "supply": "write supply: {volts: 12} and add what is known of converter, cable and battery",
    "supply.watts": "measure volts times amps of the running computer, or take half of what the "
    "label of its own power supply says",
    "supply.peak_watts": "multiply volts by amps on the label of the computer's own power supply",
    "supply.lowest_volts": "look for the input range on the computer's label or data sheet",
    "supply.converter": "look for its efficiency on the converter's data sheet, such as "
    "converter: {efficiency: 0.88}",
    "supply.converter.volts": "read the converter's label, or measure what it gives",
    "supply.converter.amps": "read the converter's label: the current that it gives all the time",
    "supply.cable": "measure its length one way, and read the area off its print, such as "
    "cable: {metres: 4, mm2: 1.5}",
    "supply.cable.mm2": "the tables begin at 0.75 mm2; ask the cable's maker what it bears",
    "supply.lead": "measure the lead from converter to computer, and read the area off its print: "
    "20 AWG is 0.52 mm2, 24 AWG is 0.2 mm2",
    "supply.battery": "read the ampere-hours off its label, such as battery: {ah: 110}",
    "supply.fuse": "read it off the fuse or breaker where the cable starts, such as "
    "fuse: {amps: 5}",
}


@dataclass(frozen=True)
class Drawn:
    """Hold what a computer draws. None is not known."""

    mean_watts: float | None
    """With what hubs with a supply of their own feed."""
    peak_watts: float | None
    """The same at its highest."""
    computer_peak_watts: float | None
    """Without what such hubs feed."""
    volts: float | None
    """What the converter gives."""


def drawn(boat: Boat, supply: SupplyConfig) -> Drawn:
    """Add up what board and USB sockets draw, unless the profile says what was measured."""
    power, loads = boards.board(boat.profile.board).power, usb_loads(boat)
    fed_by_board = loads.board_ma / 1000 * USB_VOLTS
    fed_by_hubs = (loads.total_ma - loads.board_ma) / 1000 * USB_VOLTS
    mean, peak = supply.watts, supply.peak_watts
    if power:
        mean = mean or power.milliamps / 1000 * power.volts + fed_by_board
        peak = peak or max(mean, power.peak_milliamps / 1000 * power.volts + fed_by_board)
    volts = supply.converter.volts if supply.converter else None
    return Drawn(
        None if mean is None else mean + fed_by_hubs,
        None if peak is None else peak + fed_by_hubs,
        peak,
        volts or (power.volts if power else None),
    )


def find_missing(values: Mapping[str, object | None]) -> list[str]:
    """Return the keys that have no value."""
    return [key for key, value in values.items() if value is None]


def unknown(subject: str, name: str, *missing: str) -> Figure:
    """Return a sum that lacks the values of these keys."""
    ways = "; ".join(f"{key} is needed: {FIND_VALUE[key]}" for key in missing)
    return Figure(
        subject, name, None, "", "", verdict="unknown", help=ways, key=missing[0], electrical=True
    )


def with_caution(words: str) -> str:
    """Return what would help, and who decides it."""
    return f"{words}; local codes and a licensed electrician decide"
