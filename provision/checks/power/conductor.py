# SPDX-License-Identifier: GPL-3.0-or-later
"""Calculate what copper conductors lose, and what they bear."""

from __future__ import annotations

import math
from collections.abc import Callable

from provision.profile.schema.supply import REFERENCE_CELSIUS, CableConfig

#: Ohm mm2/m of annealed copper at 20 degC, and its change per K (IEC 60028).
RESISTIVITY = 0.017241
TEMPERATURE_COEFFICIENT = 0.00393
RESISTIVITY_CELSIUS = 20.0

#: Largest ohm/km at 20 degC of flexible conductors of plain copper, by their nominal area in mm2
#: (IEC 60228, class 5, as cable makers' tables print it).
CLASS_5_OHM_PER_KM = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
    25.0: 0.780,
    35.0: 0.554,
    50.0: 0.386,
}

#: Smallest area in mm2 of a conductor that shares a sheath with others (ISO 10133:2012, 7.7; that
#: ISO 13297 has taken its place is from memory).
MIN_MM2 = 0.75

#: AWG sizes of boat cable.
AWG_SIZES = (18, 16, 14, 12, 10, 8, 6, 4, 2)

#: Amperes of a conductor whose insulation bears 105 degC, by AWG, at 30 degC outside the engine
#: space, at most two conductors together (ABYC E-11, as makers' tables of boat cable print it).
AMPACITY_105_AWG = {18: 20, 16: 25, 14: 35, 12: 45, 10: 60, 8: 80, 6: 120, 4: 160, 2: 210}

#: The same for insulation that bears 70 degC, by mm2 (ISO 13297, from memory).
AMPACITY_70_MM2 = {
    0.75: 10,
    1.0: 14,
    1.5: 18,
    2.5: 25,
    4.0: 35,
    6.0: 45,
    10.0: 65,
    16.0: 90,
    25.0: 120,
    35.0: 160,
    50.0: 210,
}


def awg_area(number: int) -> float:
    """Return the area in mm2 of a conductor (ASTM B258)."""
    millimetres: float = 0.127 * 92 ** ((36 - number) / 39)
    return math.pi / 4 * millimetres**2


def resistance(cable: CableConfig) -> float:
    """Return the ohms of both conductors of a cable at its temperature.

    A nominal area of IEC 60228 may have the largest resistance of its class. Other areas, such as
    those of AWG, are taken for full copper.
    """
    ohm_per_km = CLASS_5_OHM_PER_KM.get(cable.mm2, 1000 * RESISTIVITY / cable.mm2)
    warmer = 1 + TEMPERATURE_COEFFICIENT * (cable.celsius - RESISTIVITY_CELSIUS)
    return 2 * cable.metres * ohm_per_km / 1000 * warmer


def converter_amps(volts: float, watts: float, ohms: float) -> float:
    """Return the current of a load of constant power behind a resistance.

    A converter draws more current the less voltage is left. Where not even half of the voltage is
    left, the load gets less power than it wants, whatever the current: return the current at half.
    """
    inside = volts**2 - 4 * ohms * watts
    if inside < 0:
        return volts / (2 * ohms)
    # The same as (volts - sqrt(inside)) / (2 * ohms), and exact for a small resistance.
    return 2 * watts / (volts + math.sqrt(inside))


def ampacity(cable: CableConfig) -> float | None:
    """Return the amperes that a cable bears all the time, or None if no table has one so thin.

    It is for one cable of two conductors, not in a bundle. Above 30 degC it falls with the root of
    what is left below the insulation's own temperature (National Electrical Code, from memory).
    """
    rated = [amps for mm2, amps in AMPACITY_70_MM2.items() if mm2 <= cable.mm2]
    if cable.insulation == 105:
        rated += [amps for awg, amps in AMPACITY_105_AWG.items() if awg_area(awg) <= cable.mm2]
    if not rated:
        return None
    left = (cable.insulation - cable.celsius) / (cable.insulation - REFERENCE_CELSIUS)
    return max(rated) * math.sqrt(min(1.0, max(0.0, left)))


def next_conductors(cable: CableConfig, would_do: Callable[[CableConfig], bool]) -> list[str]:
    """Name the smallest conductors that would do, one by mm2 and one by AWG."""

    def with_area(mm2: float) -> CableConfig:
        return cable.model_copy(update={"mm2": mm2})

    by_area = [(mm2, f"{mm2:g} mm2") for mm2 in CLASS_5_OHM_PER_KM if mm2 >= MIN_MM2]
    by_awg = [(awg_area(awg), f"{awg} AWG") for awg in AWG_SIZES]
    found = []
    for sizes in (by_area, by_awg):
        found += [name for mm2, name in sizes if would_do(with_area(mm2))][:1]
    return found
