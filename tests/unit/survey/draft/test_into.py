# SPDX-License-Identifier: GPL-3.0-or-later
"""What was heard corrects and adds links; everything else of the file stays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from provision.errors import UserErrors
from provision.profile import load
from provision.profile.scaffold import create_club
from provision.survey.draft.heard import Heard
from provision.survey.draft.matching import Moved
from provision.survey.groups import GroupReport, NetworkReport
from provision.survey.report import PortReport
from tests.unit.survey.draft.made import adapter, heard, into, no, silent, survey, yes

GNSS = adapter("KW-GNSS-01", "1-1.1")
LINE = "  gnss:      {adapter: {serial: KW-GNSS-01}, baud: 4800, talks: [RMC, GGA, VTG]}"


@pytest.fixture
def kittiwake(tmp_path: Path) -> Path:
    """A boat with a hub, so that there is room for further adapters."""
    create_club(tmp_path / "boats")
    file = tmp_path / "boats/kittiwake.yml"
    file.write_text(file.read_text() + "usb: {hubs: {main: {ports: 7, own_supply: true}}}\n")
    return file


def test_a_boat_that_is_as_it_says_stays_as_it_is(kittiwake: Path) -> None:
    links = load.read(kittiwake).profile.serial_links
    reports = [
        heard(
            adapter(link.adapter.serial or "", f"1-1.{number}"),
            " ".join(f"II{name}={rate * 1.2}" for name, rate in link.talks.items()),
            link.baud,
        )
        for number, link in enumerate(links.values(), 1)
    ]
    change = into(kittiwake, survey(*reports))
    assert (change.text, [*change.changes], [*change.left]) == (kittiwake.read_text(), [], [])


@pytest.mark.parametrize(
    ("report", "line"),
    [
        (heard(GNSS, "GPRMC", 38400), LINE.replace("baud: 4800", "baud: 38400")),
        (replace(heard(GNSS, "GPRMC"), long=True), LINE.replace("VTG]", "VTG], long: true")),
        (heard(GNSS, "GPRMC GPZDA"), LINE.replace("VTG]", "VTG, ZDA]")),
        (
            heard(GNSS, "GPRMC GPGSV=3 GPGSA=0.5"),
            LINE.replace("[RMC, GGA, VTG]", "{RMC: 1, GGA: 1, VTG: 1, GSV: 3, GSA: 0.5}"),
        ),
    ],
)
def test_a_link_is_corrected(kittiwake: Path, report: PortReport, line: str) -> None:
    before = kittiwake.read_text()
    change = into(kittiwake, survey(report))
    assert change.text == before.replace(LINE, line)
    assert [one for one in change.diff("x") if one.startswith(("-  ", "+  "))] == [
        f"-{LINE}",
        f"+{line}",
    ]
    assert all(one.startswith("gnss: ") for one in change.changes)


def test_a_new_instrument_is_added_below_the_others(kittiwake: Path) -> None:
    before = kittiwake.read_text()
    change = into(kittiwake, survey(heard(adapter("KW-WIND-9", "1-1.6"), "WIMWV=0.5", 38400)))
    head, tail = before.split("accepted:")
    new = "  wind:      {adapter: {serial: KW-WIND-9}, baud: 38400, talks: {MWV: 0.5}}\n"
    assert change.text.startswith(head)
    assert change.text.endswith(f"{new}accepted:{tail}")
    between = change.text.removeprefix(head).removesuffix(f"{new}accepted:{tail}")
    assert all(line.startswith("  # ") for line in between.splitlines())
    assert "wind instrument" in between


def test_another_adapter_with_the_same_sentences_is_asked_about(kittiwake: Path) -> None:
    found = survey(heard(adapter("NEW-7", "1-1.5"), "GPRMC GPGGA GPVTG"))
    asked: list[Moved] = []

    def ask(moved: Moved) -> bool:
        asked.append(moved)
        return True

    change = into(kittiwake, found, ask)
    assert change.text == kittiwake.read_text().replace("KW-GNSS-01", "NEW-7")
    assert [(one.link, one.is_alone) for one in asked] == [("gnss", True)]
    # A no makes it an instrument of its own.
    change = into(kittiwake, found, no)
    assert "gnss-2:" in change.text
    assert "KW-GNSS-01" in change.text


def test_an_adapter_without_a_serial_number_takes_the_place_of_one(kittiwake: Path) -> None:
    found = survey(heard(adapter("", "1-1.5"), "GPRMC GPGGA GPVTG"), aboard=True)
    change = into(kittiwake, found, yes)
    assert change.text == kittiwake.read_text().replace("serial: KW-GNSS-01", 'port: "1-1.5"')


@pytest.mark.parametrize(("others", "number"), [((), 2), (("SDDPT",), 2), ((), 0)])
def test_the_interface_of_the_adapter_before_is_corrected(
    kittiwake: Path, others: tuple[str, ...], number: int
) -> None:
    before = kittiwake.read_text().replace("KW-GNSS-01}", "KW-GNSS-01, interface: 1}")
    kittiwake.write_text(before)
    reports = [heard(adapter("NEW-7", "1-1.5", number), "GPRMC GPGGA GPVTG")]
    reports += [heard(adapter("NEW-7", "1-1.5", number + 1), other) for other in others]
    change = into(kittiwake, survey(*reports), yes)
    assert f"gnss:      {{adapter: {{serial: NEW-7, interface: {number}}}, baud" in change.text


def test_an_interface_is_named_where_the_new_chip_has_several_ports(kittiwake: Path) -> None:
    ports = [adapter("NEW-7", "1-1.5", number) for number in (0, 1)]
    found = survey(heard(ports[1], "GPRMC GPGGA GPVTG"), others=ports[:1])
    change = into(kittiwake, found, yes)
    assert "{adapter: {serial: NEW-7, interface: 1}, baud" in change.text


def test_exchanged_plugs_change_nothing(kittiwake: Path) -> None:
    """A link of a GNSS receiver is not to become that of a log."""
    reports = [
        heard(GNSS, "SDDPT=2 VWVHW", 9600),
        heard(adapter("KW-DPTH-02", "1-1.2"), "GPRMC GPGGA GPVTG"),
        heard(adapter("KW-AISR-03", "1-1.3"), "WIMWV"),
    ]
    change = into(kittiwake, survey(*reports))
    assert change.text == kittiwake.read_text()
    assert change.left[:3] == [
        "gnss: left as it is: DPT, VHW came, and nothing of what it talks, which depth-log talks: "
        "are two plugs exchanged?",
        "depth-log: left as it is: RMC, GGA, VTG came, and nothing of what it talks, which gnss "
        "talks: are two plugs exchanged?",
        "ais: left as it is: MWV came, and nothing of what it talks",
    ]


@pytest.mark.parametrize("aboard", [True, False])
def test_two_adapters_with_one_serial_number_are_told_apart_aboard(
    kittiwake: Path, aboard: bool
) -> None:
    reports = [
        heard(adapter("KW-GNSS-01", "1-1.1"), "GPRMC GPGGA GPVTG"),
        heard(adapter("KW-GNSS-01", "1-1.2"), "WIMWV=2"),
    ]
    change = into(kittiwake, survey(*reports, aboard=aboard))
    text = kittiwake.read_text()
    named = text.replace("serial: KW-GNSS-01", 'port: "1-1.1"') if aboard else text
    assert named.split("accepted:")[0] in change.text
    assert '  wind:      {adapter: {port: "1-1.2"}, baud: 4800' in change.text
    told = "gnss: another adapter has serial KW-GNSS-01, too" in " ".join(change.left)
    assert told is not aboard


def test_a_socket_that_moved_is_seen_aboard_and_asked_about_elsewhere(tmp_path: Path) -> None:
    create_club(tmp_path / "boats")
    file = tmp_path / "boats/turnstone.yml"
    for aboard in (True, False):
        asked: list[bool] = []

        def ask(moved: Moved, asked: list[bool] = asked) -> bool:
            asked.append(moved.is_alone)
            return moved.is_alone

        found = survey(heard(adapter("", "1-1.4"), "WIMWV=2"), aboard=aboard)
        change = into(file, found, ask)
        assert asked == [aboard]
        moved = file.read_text().replace('"1-1.3"', '"1-1.4"')
        assert (change.text == moved) == aboard
        assert "# Its chip has no serial number: the lower left socket" in change.text


def test_a_socket_of_another_computer_with_the_same_number_says_nothing(tmp_path: Path) -> None:
    create_club(tmp_path / "boats")
    file = tmp_path / "boats/turnstone.yml"
    found = survey(heard(adapter("", "1-1.3"), "GPRMC GPGGA", 38400))
    change = into(file, found)
    assert change.text == file.read_text()
    assert change.left[0].startswith("gnss-2: new, from /dev/ttyUSB3: GNSS receiver; not added")
    assert "wind: port 1-1.3 is the boat's own socket; left as it is" in change.left


@pytest.mark.parametrize("answer", [yes, no])
def test_two_that_may_be_meant_are_never_alone(
    kittiwake: Path, answer: Callable[[object], bool]
) -> None:
    asked: list[bool] = []

    def ask(moved: Moved) -> bool:
        asked.append(moved.is_alone)
        return answer(moved)

    reports = [heard(adapter(f"N{n}", f"1-1.{n}"), "GPRMC GPGGA GPVTG") for n in (5, 6)]
    change = into(kittiwake, survey(*reports), ask)
    assert set(asked) == {False}
    assert ("N5" in change.text, "N6" in change.text) == (True, True)


def test_silent_and_absent_links_are_left_alone_and_told(kittiwake: Path) -> None:
    reports = [silent(GNSS), silent(adapter("KW-NEW-09", "1-1.7")), PortReport(adapter(port=""))]
    change = into(kittiwake, survey(*reports, others=[adapter("KW-DPTH-02", "1-1.2")]))
    assert change.text == kittiwake.read_text()
    told = "\n".join(change.left)
    assert "gnss: silent; left as it is" in told
    assert "autopilot: its adapter, serial KW-PLOT-04, is not plugged in" in told
    assert "silent, and in no link; nothing came: is the instrument on?" in told
    assert "no USB adapter's port" in told
    # It is plugged in, and was not listened to.
    assert "depth-log" not in told


def test_what_a_listener_sends_back_is_not_its_own(kittiwake: Path) -> None:
    change = into(kittiwake, survey(heard(adapter("KW-PLOT-04"), "HCHDG=10 GPAPB GPXTE")))
    assert change.text == kittiwake.read_text()
    assert change.left[0].startswith("autopilot: APB, XTE came, which it listens for")


def test_a_chip_with_several_ports_gets_its_interface(tmp_path: Path, kittiwake: Path) -> None:
    ports = [adapter("KW-GNSS-01", "1-1.1", number) for number in (0, 1)]
    reports = [heard(ports[0], "SDDBT"), heard(ports[1], "GPRMC GPGGA GPVTG")]
    change = into(kittiwake, survey(*reports))
    assert "{serial: KW-GNSS-01, interface: 1}" in change.text
    assert "{serial: KW-GNSS-01, interface: 0}" in change.text
    alike = [heard(one, "GPRMC GPGGA GPVTG") for one in ports]
    change = into(kittiwake, survey(*alike))
    assert change.text == kittiwake.read_text()
    assert "gnss: several ports may be meant by serial KW-GNSS-01" in change.left[-1] or any(
        "gnss: several ports" in one for one in change.left
    )


def test_a_link_of_the_club_is_corrected_in_the_boats_own_file(tmp_path: Path) -> None:
    (tmp_path / "club.yml").write_text(
        "links:\n"
        "  gnss: {adapter: {serial: G1}, talks: [RMC]}\n"
        "  wind: {adapter: {serial: W1}, talks: {MWV: 2}}\n"
        "  depth: {adapter: {serial: D1}, talks: [DPT]}\n"
        "network: {access_point: {country: NL}}\naccess: {keys: [a.pub]}\n"
    )
    file = tmp_path / "tern.yml"
    file.write_text(
        "boat: tern\nincludes: [club.yml]\nboard: x86-64\nlinks: {depth: null} # none here\n"
        "network: {address: 10.47.7.1/24, access_point: {ssid: Tern}}\n"
    )
    found = survey(
        heard(adapter("G1", "1-1.1"), "GPRMC GPGSV=3", 38400),
        heard(adapter("", "1-1.2"), "WIMWV=2 WIVWR"),
        heard(adapter("D1", "1-1.3"), "SDDPT"),
        aboard=True,
    )
    change = into(file, found, yes)
    boat = load.read(file, change.text).profile
    assert file.read_text().replace("{depth: null}", "") == change.text.replace(
        change.text[change.text.index("{depth: null") : change.text.index(" # none here")], ""
    )
    gnss, wind = boat.serial_links["gnss"], boat.serial_links["wind"]
    assert (gnss.baud, gnss.talks) == (38400, {"RMC": 1, "GSV": 3})
    assert (wind.adapter.serial, wind.adapter.port) == (None, "1-1.2")
    assert wind.talks == {"MWV": 2, "VWR": 1}
    assert boat.serial_links["depth-2"].adapter.serial == "D1"


def test_a_network_is_added_once_and_then_left_alone(kittiwake: Path) -> None:
    network = NetworkReport("can0", (GroupReport(128267, 4, 1.0, translated=True),))
    change = into(kittiwake, Heard([], [], networks=[network]))
    assert "\n  backbone:  {can: can0, talks: [depth]}\n" in change.text
    kittiwake.write_text(change.text)
    more = (*network.groups, GroupReport(127250, 3, 10.0, translated=True))
    again = into(kittiwake, Heard([], [], networks=[NetworkReport("can0", more)]))
    assert again.text == change.text
    assert "backbone: heading came, too; left as it is" in again.left


def test_a_result_that_would_not_check_is_refused(kittiwake: Path) -> None:
    """The link's listens need more than 1200 baud can carry."""
    found = survey(heard(adapter("KW-PLOT-04"), "HCHDG", 1200))
    with pytest.raises(UserErrors) as told:
        into(kittiwake, found)
    assert "autopilot is sent more than 1200 baud can carry" in str(told.value)


def test_an_error_of_before_stops_nothing(kittiwake: Path) -> None:
    kittiwake.write_text(kittiwake.read_text().replace("talks: {DPT: 2,", "talks: {DPT: 50,"))
    change = into(kittiwake, survey(heard(GNSS, "GPRMC", 9600)))
    assert [one.level for one in change.findings].count("error") == 1


def test_a_form_of_its_own_is_left_to_its_author(tmp_path: Path, kittiwake: Path) -> None:
    text = kittiwake.read_text().replace("baud: 4800, talks: [RMC", "baud: !!int 4800, talks: [RMC")
    kittiwake.write_text(text)
    change = into(kittiwake, survey(heard(GNSS, "GPRMC", 9600)))
    assert change.text == text
    assert change.left[0].startswith("links.gnss.baud: 9600 is left to you")
