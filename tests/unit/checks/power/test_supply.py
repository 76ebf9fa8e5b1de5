# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's supply: energy, cable, fuse, converter and lead, inside and outside each limit."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import checks
from provision.checks.figure import Figure
from provision.errors import UserError
from provision.profile import load
from tests.unit.checks.tern import boat, found

#: 3 W for the board and 0.5 W for its one adapter; at the most 9.5 W.
CONVERTER = "converter: {efficiency: 0.875}"


def with_supply(folder: Path, *parts: str, volts: int = 12, board: str = "") -> load.Boat:
    text = ", ".join((f"volts: {volts}", *parts))
    replacements = [("access:", f"supply: {{{text}}}\naccess:")]
    if board:
        replacements.append(("bcm2711-rpi-4-b", board))
    return boat(folder, *replacements)


def figures(tern: load.Boat) -> dict[str, Figure]:
    return {one.subject: one for one in checks.calculate([tern])}


def test_power_energy_and_days(tmp_path: Path) -> None:
    """600 mA at 5 V (board maker's hardware documentation, from memory) and a unit load."""
    sums = figures(with_supply(tmp_path, CONVERTER, "battery: {ah: 96}"))
    assert sums["supply-power"].value == pytest.approx(3.5 / 0.875)
    assert sums["supply-energy"].value == pytest.approx(4 * 24 / 12)
    assert sums["supply-days"].value == pytest.approx(96 / 2 / 8)
    sums = figures(with_supply(tmp_path, CONVERTER, volts=24))
    assert sums["supply-energy"].value == pytest.approx(4)


def test_what_was_measured_counts(tmp_path: Path) -> None:
    sums = figures(with_supply(tmp_path, CONVERTER, "watts: 7", "peak_watts: 14"))
    assert sums["supply-power"].value == pytest.approx(8)


def test_a_hub_with_a_supply_is_on_the_battery_as_well(tmp_path: Path) -> None:
    usb = "usb: {hubs: {a: {ports: 4, own_supply: true}}}\n"
    supply = f"supply: {{volts: 12, {CONVERTER[:-1]}, amps: 1.8}}}}\naccess:"
    sums = figures(boat(tmp_path, ("access:", usb + supply)))
    assert sums["supply-power"].value == pytest.approx(3.5 / 0.875)
    # The converter of the computer does not feed the adapter.
    assert sums["supply-converter"].value == pytest.approx(1.8)
    assert sums["supply-converter"].verdict == "fine"


@pytest.mark.parametrize(("ah", "expected"), [("16", []), ("15.9", [("warning", "supply-days")])])
def test_days(tmp_path: Path, ah: str, expected: list[tuple[str, str]]) -> None:
    """8 Ah a day, and half of a battery may be used: common practice."""
    assert found(with_supply(tmp_path, CONVERTER, f"battery: {{ah: {ah}}}")) == expected


@pytest.mark.parametrize(
    ("metres", "expected"),
    [
        (13.96, []),
        (13.97, [("warning", "supply-drop")]),
        (43.17, [("warning", "supply-drop")]),
        (43.18, [("error", "supply-drop")]),
        # Not even half of the voltage would be left.
        (100, [("error", "supply-drop")]),
    ],
)
def test_cable(tmp_path: Path, metres: float, expected: list[tuple[str, str]]) -> None:
    """ABYC E-11: at most 3 % where safety depends on it, 10 % elsewhere.

    At a loss of 3 %, 9.5 W / 0.875 at 11.64 V are 0.9327 A; at 10 % and 10.8 V they are 1.0053 A.
    1.5 mm2 has 13.3 ohm/km at 20 degC (IEC 60228, class 5), and so 13.823 at 30 (IEC 60028).
    """
    way = f"cable: {{metres: {metres}, mm2: 1.5}}"
    assert found(with_supply(tmp_path, CONVERTER, way)) == expected


def test_the_next_conductor_is_named(tmp_path: Path) -> None:
    tern = with_supply(tmp_path, CONVERTER, "cable: {metres: 16, mm2: 1.5}")
    (finding,) = checks.check([tern])
    assert finding.location.key == "supply.cable"
    assert "2.5 mm2 or 14 AWG would do" in finding.hint
    assert "local codes and a licensed electrician decide" in finding.hint
    # Twice the voltage, and half of the current through the same cable.
    assert found(with_supply(tmp_path, CONVERTER, "cable: {metres: 16, mm2: 1.5}", volts=24)) == []


@pytest.mark.parametrize(
    ("mm2", "expected"), [("0.75", []), ("0.74", [("warning", "supply-conductor")])]
)
def test_the_thinnest_conductor(tmp_path: Path, mm2: str, expected: list[tuple[str, str]]) -> None:
    """ISO 10133, 7.7: at least 0.75 mm2 in a sheath with others."""
    way = f"cable: {{metres: 1, mm2: {mm2}}}"
    assert found(with_supply(tmp_path, CONVERTER, way, "fuse: {amps: 2}")) == expected


@pytest.mark.parametrize(
    ("fuse", "expected"),
    [
        ("18", []),
        ("18.1", [("error", "supply-fuse")]),
        ("1.15", []),
        ("1.12", [("warning", "supply-fuse-load")]),
        ("0.91", [("warning", "supply-fuse-load")]),
        ("0.9", [("error", "supply-fuse-load")]),
    ],
)
def test_fuse(tmp_path: Path, fuse: str, expected: list[tuple[str, str]]) -> None:
    """1.5 mm2 with 70 degC insulation bears 18 A (ISO 13297, from memory).

    9.5 W / 0.875 draw 0.907 A from 12 V at the end of 1 m. A quarter more is common practice.
    """
    way = "cable: {metres: 1, mm2: 1.5}"
    assert found(with_supply(tmp_path, CONVERTER, way, f"fuse: {{amps: {fuse}}}")) == expected


@pytest.mark.parametrize(("amps", "verdict"), [(10, "unknown"), (10.1, "error")])
def test_a_conductor_below_the_tables_bears_less_than_their_thinnest(
    tmp_path: Path, amps: float, verdict: str
) -> None:
    """0.75 mm2 bears 10 A (ISO 13297, from memory)."""
    way = "cable: {metres: 1, mm2: 0.5}"
    sums = figures(with_supply(tmp_path, CONVERTER, way, f"fuse: {{amps: {amps}}}"))
    assert sums["supply-fuse"].verdict == verdict


def test_a_fuse_that_is_too_large_has_a_way_out(tmp_path: Path) -> None:
    way = "cable: {metres: 1, mm2: 1.5}"
    (finding,) = checks.check([with_supply(tmp_path, CONVERTER, way, "fuse: {amps: 30}")])
    assert "a fuse of 15 A or a conductor of 4 mm2 or 10 AWG" in finding.hint


def test_a_missing_fuse_is_proposed(tmp_path: Path) -> None:
    """0.907 A and a quarter more are 1.13 A."""
    one = figures(with_supply(tmp_path, CONVERTER, "cable: {metres: 1, mm2: 1.5}"))["supply-fuse"]
    assert "a fuse of 2 A would do" in one.help
    assert "a licensed electrician decide" in one.help


@pytest.mark.parametrize(("amps", "expected"), [("1.9", []), ("1.89", ["supply-converter"])])
def test_converter(tmp_path: Path, amps: str, expected: list[str]) -> None:
    """3.0 A less the USB sockets' 1.2 A (board maker's hardware documentation, from memory).

    The adapter's 100 mA come to it (USB 2.0 specification).
    """
    tern = with_supply(tmp_path, f"converter: {{efficiency: 0.875, amps: {amps}}}")
    assert found(tern) == [("error", check) for check in expected]


@pytest.mark.parametrize(("metres", "expected"), [(2.49, []), (2.5, ["supply-voltage"])])
def test_lead(tmp_path: Path, metres: float, expected: list[str]) -> None:
    """Below 4.63 V the board flags its supply (board maker's documentation, from memory).

    1.9 A lose 0.37 V of 5 V in 0.19474 ohm. 0.5 mm2 has 39.0 ohm/km at 20 degC (IEC 60228).
    """
    lead = f"lead: {{metres: {metres}, mm2: 0.5, celsius: 20}}"
    assert found(with_supply(tmp_path, CONVERTER, lead)) == [("error", one) for one in expected]


def test_a_higher_voltage_of_the_converter_helps(tmp_path: Path) -> None:
    lead = "lead: {metres: 2.6, mm2: 0.5, celsius: 20}"
    assert found(with_supply(tmp_path, CONVERTER, lead)) == [("error", "supply-voltage")]
    assert found(with_supply(tmp_path, "converter: {efficiency: 0.9, volts: 5.1}", lead)) == []


@pytest.mark.parametrize(
    ("board", "parts", "subject", "keys"),
    [
        ("", [], "supply-power", ["supply.converter"]),
        ("", [CONVERTER], "supply-days", ["supply.battery"]),
        ("", [CONVERTER], "supply-drop", ["supply.cable"]),
        ("", [CONVERTER], "supply-fuse", ["supply.cable", "supply.fuse"]),
        ("", [CONVERTER, "cable: {metres: 1, mm2: 1}"], "supply-fuse", ["supply.fuse"]),
        ("", [CONVERTER, "fuse: {amps: 2}"], "supply-fuse-load", ["supply.cable"]),
        (
            "",
            [CONVERTER, "cable: {metres: 1, mm2: 0.5}", "fuse: {amps: 2}"],
            "supply-fuse",
            ["supply.cable.mm2"],
        ),
        ("", [CONVERTER], "supply-converter", ["supply.converter.amps"]),
        ("", [CONVERTER], "supply-voltage", ["supply.lead"]),
        ("x86-64", [CONVERTER], "supply-power", ["supply.watts"]),
        ("x86-64", [CONVERTER], "supply-drop", ["supply.peak_watts", "supply.cable"]),
        (
            "x86-64",
            [CONVERTER, "peak_watts: 36"],
            "supply-converter",
            ["supply.converter.volts"],
        ),
        (
            "x86-64",
            ["converter: {efficiency: 1, volts: 12}", "peak_watts: 36"],
            "supply-voltage",
            ["supply.lead", "supply.lowest_volts"],
        ),
    ],
)
def test_a_sum_that_lacks_a_value_says_which(
    tmp_path: Path, board: str, parts: list[str], subject: str, keys: list[str]
) -> None:
    one = figures(with_supply(tmp_path, *parts, board=board))[subject]
    assert (one.value, one.verdict) == (None, "unknown")
    needed = [way.partition(" is needed: ")[0] for way in one.help.split("; ")]
    assert [key for key in needed if key.startswith("supply")] == keys


def test_a_boat_without_a_supply_lacks_that_alone(tmp_path: Path) -> None:
    sums = [f for f in checks.calculate([boat(tmp_path)]) if f.subject.startswith("supply")]
    assert [(one.subject, one.verdict) for one in sums] == [("supply", "unknown")]


def test_a_peak_below_the_mean_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="peak_watts is at least as much as watts"):
        with_supply(tmp_path, "watts: 7", "peak_watts: 6.9")
