# SPDX-License-Identifier: GPL-3.0-or-later
"""Calculate what the way from the boat's fuse to the computer loses and bears."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from provision import boards
from provision.checks.figure import Figure, find_broken_limits, format_number, judge
from provision.checks.finding import Finding
from provision.checks.power.conductor import (
    MIN_MM2,
    ampacity,
    converter_amps,
    next_conductors,
    resistance,
)
from provision.checks.power.drawn import drawn, find_missing, unknown, with_caution
from provision.profile.load import Boat
from provision.profile.schema.supply import CableConfig

#: Largest share lost in circuits that the boat's safety depends on, and in all others (ABYC E-11;
#: the local standard decides, which is ISO 13297 in Europe).
MAX_LOSS = 0.03
MAX_LOSS_ELSEWHERE = 0.10

#: A fuse carries a quarter more than the circuit's largest current. Common practice.
FUSE_MARGIN = 1.25

#: Sizes of blade fuses in A. Common practice.
FUSES = (1, 2, 3, 5, 7.5, 10, 15, 20, 25, 30, 40)


def check(boat: Boat) -> Iterator[Finding]:
    """Find conductors and a converter that are too small, and a fuse that does not fit."""
    yield from find_broken_limits(boat, list(figures(boat)))


def figures(boat: Boat) -> Iterator[Figure]:
    """Calculate cable, fuse, converter and lead. A boat without a supply has no such sums."""
    if boat.profile.supply is None:
        return
    if cable := boat.profile.supply.cable:
        yield _conductor(cable)
    yield from _loss(boat)
    yield from _fuse(boat)
    yield _converter(boat)
    yield _arriving(boat)


def _conductor(cable: CableConfig) -> Figure:
    return Figure(
        "supply-conductor",
        "a conductor of the cable",
        cable.mm2,
        "mm2",
        "two in a sheath, ISO 10133, 7.7",
        limit=MIN_MM2,
        bound="least",
        verdict=judge(cable.mm2, MIN_MM2, "least", "warning"),
        help=with_caution("take a thicker one: this breaks too easily on a boat"),
        key="supply.cable.mm2",
        electrical=True,
    )


def _peak(boat: Boat) -> tuple[float | None, list[str]]:
    """Return the largest watts that the cable carries, or else the keys that are needed."""
    supply = boat.profile.supply
    assert supply is not None
    peak, converter = drawn(boat, supply).peak_watts, supply.converter
    if peak is None or converter is None:
        return None, find_missing({"supply.peak_watts": peak, "supply.converter": converter})
    return peak / converter.efficiency, []


def _loss(boat: Boat) -> Iterator[Figure]:
    supply, (watts, missing) = boat.profile.supply, _peak(boat)
    assert supply is not None
    cable, name = supply.cable, "what the cable to the converter loses"
    if cable is None or watts is None:
        missing += find_missing({"supply.cable": cable})
        yield unknown("supply-drop", name, *missing)
        return
    ohms = resistance(cable)
    amps = converter_amps(supply.volts, watts, ohms)
    share = amps * ohms / supply.volts
    critical = judge(share, MAX_LOSS, above="warning")
    yield Figure(
        "supply-drop",
        name,
        share * 100,
        "%",
        f"{format_number(amps)} A, {cable.metres:g} m there and back; ABYC E-11 for circuits that "
        "safety depends on",
        limit=MAX_LOSS * 100,
        verdict="error" if share > MAX_LOSS_ELSEWHERE else critical,
        help=_name_larger(next_conductors(cable, partial(_loses_little, supply.volts, watts))),
        key="supply.cable",
        electrical=True,
    )
    yield Figure(
        "supply-end",
        "the voltage at the converter",
        supply.volts - amps * ohms,
        "V",
        f"of {supply.volts} V",
        key="supply.cable",
        electrical=True,
    )


def _loses_little(volts: float, watts: float, cable: CableConfig) -> bool:
    ohms = resistance(cable)
    return converter_amps(volts, watts, ohms) * ohms <= MAX_LOSS * volts


def _fuse(boat: Boat) -> Iterator[Figure]:
    supply, (watts, missing) = boat.profile.supply, _peak(boat)
    assert supply is not None
    cable, fuse = supply.cable, supply.fuse.amps if supply.fuse else None
    bears, carries = "the fuse against what the conductor bears", "what the fuse carries"
    missing += find_missing({"supply.cable": cable, "supply.fuse": fuse})
    amps = converter_amps(supply.volts, watts, resistance(cable)) if cable and watts else 0.0
    if cable is None or fuse is None:
        against = unknown("supply-fuse", bears, *(key for key in missing if _is_of_cable(key)))
        fitting = _fitting_fuses(cable, amps) if cable and watts else []
        would = f"; {fitting[0]} would do" if fitting else ""
        yield replace(against, help=with_caution(against.help + would))
        yield unknown("supply-fuse-load", carries, *missing)
        return
    yield _fuse_and_conductor(cable, fuse, bears, amps)
    if watts is None:
        yield unknown("supply-fuse-load", carries, *missing)
        return
    enough = judge(fuse, amps * FUSE_MARGIN, "least", "warning")
    yield Figure(
        "supply-fuse-load",
        carries,
        fuse,
        "A",
        f"{format_number(amps)} A and a quarter more: common practice",
        limit=amps * FUSE_MARGIN,
        bound="least",
        verdict="error" if fuse < amps else enough,
        help=with_caution("take a larger fuse, and a conductor that bears it"),
        key="supply.fuse",
        electrical=True,
    )


def _is_of_cable(key: str) -> bool:
    return key in ("supply.cable", "supply.fuse")


def _fitting_fuses(cable: CableConfig, amps: float) -> list[str]:
    """Name the sizes that carry a current and protect the cable, the smallest first."""
    bears = ampacity(cable) or 0.0
    return [f"a fuse of {size:g} A" for size in FUSES if amps * FUSE_MARGIN <= size <= bears]


def _fuse_and_conductor(cable: CableConfig, fuse: float, name: str, amps: float) -> Figure:
    """Compare a fuse with what the conductor bears. `amps` is the circuit's largest current."""
    # A conductor that is too thin for the tables bears less than their thinnest.
    bears = ampacity(cable) or ampacity(cable.model_copy(update={"mm2": MIN_MM2})) or 0.0
    if cable.mm2 < MIN_MM2 and fuse <= bears:
        return unknown("supply-fuse", name, "supply.cable.mm2")
    fitting = _fitting_fuses(cable, amps)[-1:]
    thicker = next_conductors(cable, lambda other: (ampacity(other) or 0) >= fuse)
    ways = fitting + ([f"a conductor of {' or '.join(thicker)}"] if thicker else [])
    source = "ISO 13297, from memory" if cable.insulation == 70 else "ABYC E-11"
    return Figure(
        "supply-fuse",
        name,
        fuse,
        "A",
        f"{cable.insulation} degC insulation at {cable.celsius:g} degC, {source}",
        limit=bears,
        verdict=judge(fuse, bears),
        help=with_caution(f"take {' or '.join(ways) or 'a smaller fuse'}"),
        key="supply.fuse",
        electrical=True,
    )


def _output(boat: Boat) -> tuple[float | None, float, list[str]]:
    """Return amps and volts of the converter's output, or else the keys that are needed."""
    supply = boat.profile.supply
    assert supply is not None
    load, converter = drawn(boat, supply), supply.converter
    needs: dict[str, object] = {"supply.peak_watts": load.computer_peak_watts}
    if converter is None:
        needs["supply.converter"] = None
    else:
        needs["supply.converter.volts"] = load.volts
    if converter is None or load.computer_peak_watts is None or load.volts is None:
        return None, 0.0, find_missing(needs)
    return load.computer_peak_watts / load.volts, load.volts, []


def _converter(boat: Boat) -> Figure:
    supply, (amps, _, missing) = boat.profile.supply, _output(boat)
    name = "what the computer draws from the converter"
    assert supply is not None
    if amps is None or supply.converter is None:
        return unknown("supply-converter", name, *missing)
    if supply.converter.amps is None:
        return unknown("supply-converter", name, "supply.converter.amps")
    return Figure(
        "supply-converter",
        name,
        amps,
        "A",
        "what the converter gives",
        limit=supply.converter.amps,
        verdict=judge(amps, supply.converter.amps),
        help=with_caution("take a converter that gives more, or feed less from the computer"),
        key="supply.converter.amps",
        electrical=True,
    )


def _arriving(boat: Boat) -> Figure:
    """Compare the voltage at the end of the lead with the computer's lowest."""
    supply, (amps, volts, missing) = boat.profile.supply, _output(boat)
    assert supply is not None
    power = boards.board(boat.profile.board).power
    lead, name = supply.lead, "the voltage at the computer"
    lowest = supply.lowest_volts or (power.lowest_volts if power else None)
    if amps is None or lead is None or lowest is None:
        missing += find_missing({"supply.lead": lead, "supply.lowest_volts": lowest})
        return unknown("supply-voltage", name, *missing)
    source = "the profile" if supply.lowest_volts else "board maker's documentation, from memory"

    def left(other: CableConfig) -> float:
        return volts - amps * resistance(other)

    return Figure(
        "supply-voltage",
        name,
        left(lead),
        "V",
        f"{format_number(amps)} A, {lead.metres:g} m there and back; {source}",
        limit=lowest,
        bound="least",
        verdict=judge(left(lead), lowest, "least"),
        help=_name_larger(next_conductors(lead, lambda other: left(other) >= lowest)),
        key="supply.lead",
        electrical=True,
    )


def _name_larger(conductors: list[str]) -> str:
    if not conductors:
        return with_caution("shorten it: no usual conductor would do at this length")
    return with_caution(f"{' or '.join(conductors)} would do; or shorten it")
