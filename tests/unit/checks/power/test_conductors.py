# SPDX-License-Identifier: GPL-3.0-or-later
"""The losses and ratings of copper agree with published tables."""

from __future__ import annotations

import pytest

from provision.checks.power.conductor import (
    AMPACITY_70_MM2,
    AMPACITY_105_AWG,
    ampacity,
    awg_area,
    converter_amps,
    next_conductors,
    resistance,
)
from provision.profile.schema.supply import CableConfig

METRES_PER_FOOT = 0.3048
MM2_PER_CIRCULAR_MIL = 5.067e-4


def cable(metres: float = 1.0, mm2: float = 1.5, **more: float) -> CableConfig:
    return CableConfig.model_validate({"metres": metres, "mm2": mm2, **more})


@pytest.mark.parametrize(("awg", "mm2"), [(12, 3.309), (16, 1.309), (18, 0.823)])
def test_areas(awg: int, mm2: float) -> None:
    """ASTM B258."""
    assert awg_area(awg) == pytest.approx(mm2, abs=0.0005)


@pytest.mark.parametrize(
    ("mm2", "ohm_per_km"), [(0.75, 26.0), (1.5, 13.3), (2.5, 7.98), (10, 1.91)]
)
def test_resistance_of_nominal_areas(mm2: float, ohm_per_km: float) -> None:
    """IEC 60228, class 5, at 20 degC. The current goes there and back."""
    assert resistance(cable(50, mm2, celsius=20)) == pytest.approx(ohm_per_km / 10)


def test_resistance_of_other_areas() -> None:
    """IEC 60028: 0.017241 ohm mm2/m at 20 degC."""
    assert resistance(cable(5, 2.0, celsius=20)) == pytest.approx(0.017241 * 10 / 2)


@pytest.mark.parametrize(
    ("celsius", "to_20"), [(5, 1.064), (20, 1.0), (25, 0.980), (40, 0.926), (50, 0.893)]
)
def test_resistance_and_temperature(celsius: float, to_20: float) -> None:
    """Factors of IEC 60228 that bring a measured resistance to 20 degC, as cable makers print."""
    warm, cool = resistance(cable(celsius=celsius)), resistance(cable(celsius=20))
    assert warm * to_20 == pytest.approx(cool, rel=0.003)


def test_the_worked_example_of_voltage_drop() -> None:
    """ABYC E-11: 10 A over 21 ft there and back lose 3 % of 12 V in 6271 circular mils.

    The next conductor is 12 AWG.
    """
    one_way = 21 * METRES_PER_FOOT / 2
    just = cable(one_way, 6271 * MM2_PER_CIRCULAR_MIL)
    assert 10 * resistance(just) == pytest.approx(0.36, rel=0.005)
    loses_little = next_conductors(just, lambda other: 10 * resistance(other) <= 0.36)
    assert loses_little == ["4 mm2", "12 AWG"]


@pytest.mark.parametrize(
    ("feet", "sizes"),
    [
        (10, {5: 18, 10: 14, 15: 12, 20: 12, 25: 10, 30: 10}),
        (15, {5: 16, 10: 12, 15: 10, 20: 10, 25: 8}),
        (20, {5: 14, 10: 12, 15: 10, 20: 8, 25: 8, 30: 6}),
        (25, {5: 14, 10: 10, 15: 8, 20: 8, 25: 6}),
        (30, {5: 12, 10: 10, 15: 8, 20: 6}),
    ],
)
def test_the_chart_of_conductors(feet: float, sizes: dict[int, int]) -> None:
    """Conductors for a loss of 3 % at 12 V, as makers of boat cable print them from ABYC E-11.

    Feet are there and back.
    """
    for amps, awg in sizes.items():
        way = cable(feet * METRES_PER_FOOT / 2)
        found = next_conductors(way, lambda other, amps=amps: amps * resistance(other) <= 0.36)  # type: ignore[misc]
        assert found[1] == f"{awg} AWG", amps


@pytest.mark.parametrize(
    ("awg", "outside", "inside"), [(18, 20, 17), (16, 25, 21.3), (12, 45, 38.3)]
)
def test_what_boat_cable_bears(awg: int, outside: float, inside: float) -> None:
    """ABYC E-11, 105 degC, as makers of boat cable print it. An engine space has 50 degC."""
    area = awg_area(awg)
    assert ampacity(cable(1, area, insulation=105)) == outside
    hot = ampacity(cable(1, area, insulation=105, celsius=50))
    assert hot == pytest.approx(inside, rel=0.01)


def test_ordinary_cable_bears_less_than_boat_cable() -> None:
    for mm2, amps in AMPACITY_70_MM2.items():
        near = [bears for awg, bears in AMPACITY_105_AWG.items() if awg_area(awg) <= 1.1 * mm2]
        assert not near or amps <= max(near)


def test_what_no_table_has() -> None:
    assert ampacity(cable(1, 0.74)) is None
    assert ampacity(cable(1, 0.75)) == 10
    assert ampacity(cable(1, 1.5, celsius=70)) == 0
    assert ampacity(cable(1, 1.5, celsius=100)) == 0
    assert ampacity(cable(1, 1.5, celsius=-40)) == 18


def test_a_converter_draws_more_of_less() -> None:
    """Kirchhoff: 3 A through 1 ohm leave 9 of 12 V, which are 27 W."""
    assert converter_amps(12, 27, 1) == pytest.approx(3)
    assert converter_amps(12, 36, 1) == pytest.approx(6)
    # No current gives 36.1 W behind 1 ohm.
    assert converter_amps(12, 36.1, 1) == 6
