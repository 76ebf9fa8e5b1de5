# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole profile is written from what was heard, and checks."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.checks import check
from provision.errors import UserError
from provision.profile import load
from provision.profile.scaffold import create_club
from provision.survey.draft.club import free_address, read_club
from provision.survey.draft.heard import Heard
from provision.survey.draft.new import NewProfile, new_profile
from provision.survey.draft.text import Choices
from provision.survey.groups import GroupReport, NetworkReport
from tests.unit.survey.draft.made import adapter, heard, silent, survey

WHOLE = survey(
    silent(adapter("KW-PLOT-04", "1-1.4")),
    heard(adapter("KW-GNSS-01", "1-1.1"), "GPRMC GPGGA GPVTG"),
    heard(adapter("", "1-1.2"), "WIMWV=2"),
    heard(adapter("KW-AISR-03", "1-1.3"), "AIVDM=0.4 AIVDO=0.1", 38400),
    heard(adapter("KW-OLD-05", "1-1.5"), "SDDBT", 1200),
)


def written(folder: Path, found: Heard = WHOLE, name: str = "tern") -> NewProfile:
    """Write the profile of a new boat, and check it as the command does."""
    file = folder / f"{name}.yml"
    boats = [load.read(one) for one in load.list_profiles(folder)]
    club = read_club(file, boats)
    country = "" if club.says("network", "access_point", "country") else "FR"
    made = new_profile(file, found, club, Choices("x86-64", country, "2030-06-01"))
    file.write_text(made.text)
    assert check([load.read(file)], boats) == [*made.findings]
    return made


def test_a_boat_of_a_club(tmp_path: Path) -> None:
    folder = tmp_path / "boats"
    create_club(folder)
    made = written(folder)
    assert [one for one in made.findings if one.level == "error"] == []
    boat = load.read(folder / "tern.yml").profile
    named = {name: (str(link.adapter), link.baud) for name, link in boat.serial_links.items()}
    assert named == {
        "gnss": ("serial KW-GNSS-01", 4800),
        "wind": ("port 1-1.2", 4800),
        "ais": ("serial KW-AISR-03", 38400),
        "depth": ("serial KW-OLD-05", 1200),
    }
    assert [*boat.links] == ["gnss", "wind", "ais", "depth"]
    assert boat.links["ais"].talks == {"VDM": 0.4, "VDO": 0.1}
    assert str(boat.network.address) == "10.47.4.1/24"
    assert (boat.network.access_point.ssid, boat.network.access_point.country) == ("Tern", "GB")
    assert boat.includes == ["club.yml"]
    assert "country" not in made.text
    assert "\n  # unknown: {adapter: {serial: KW-PLOT-04}, baud: 4800, talks: [RMC]}\n" in made.text
    assert "name it by port, here 1-1.2" not in made.text
    assert "# Guessed" in made.text


def test_the_first_boat_of_a_new_folder(tmp_path: Path) -> None:
    written(tmp_path)
    boat = load.read(tmp_path / "tern.yml").profile
    assert boat.network.access_point.country == "FR"
    assert boat.access.keys == ["operator.pub"]
    assert str(boat.network.address) == "10.47.1.1/24"


def test_a_silent_link_can_be_uncommented(tmp_path: Path) -> None:
    made = written(tmp_path)
    line = next(one for one in made.text.splitlines() if "# unknown:" in one)
    load.read(tmp_path / "tern.yml", made.text.replace(line, line.replace("# ", "", 1)))


def test_whom_to_believe_where_two_say_the_same(tmp_path: Path) -> None:
    found = survey(
        heard(adapter("A1", "1-1.1"), "AIVDM AIVDO GPRMC GPZDA=0.1", 38400),
        heard(adapter("A2", "1-1.2"), "GPRMC=5 GPZDA=0.1"),
    )
    made = written(tmp_path, found)
    prefer = load.read(tmp_path / "tern.yml").profile.feed.prefer
    assert prefer is not None
    assert prefer.position == ["gnss", "ais"]
    # Twice as long as between two sentences of ten seconds.
    assert (prefer.time, prefer.silence) == (["ais", "gnss"], 20.0)
    assert [one.check for one in made.findings if one.kind.startswith(("prefer", "no-pref"))] == []


def test_more_adapters_than_sockets_are_in_a_hub(tmp_path: Path) -> None:
    instruments = ["GPRMC", "WIMWV", "SDDPT", "VWVHW", "HCHDG", "YXMTW"]
    reports = [heard(adapter(f"S{n}", f"1-1.{n}"), one) for n, one in enumerate(instruments, 1)]
    made = written(tmp_path, survey(*reports))
    assert [one.level for one in made.findings] == []
    hub = load.read(tmp_path / "tern.yml").profile.usb.hubs["hub"]
    assert (hub.ports, hub.own_supply) == (7, True)
    assert "# Guessed: more adapters than sockets are in a hub" in made.text
    # Four fit into the board's own sockets, wherever they are now.
    (tmp_path / "tern.yml").unlink()
    made = written(tmp_path, survey(*reports[:4]))
    assert load.read(tmp_path / "tern.yml").profile.usb.hubs == {}


def test_a_network(tmp_path: Path) -> None:
    groups = (
        GroupReport(127250, 3, 9.8, translated=True),
        GroupReport(128267, 4, None, translated=True),
        GroupReport(129038, 5, 0.4, translated=True),
        GroupReport(65280, 5, 1.0),
    )
    found = Heard([], [], networks=[NetworkReport("can0", groups)])
    made = written(tmp_path, found)
    assert [one.level for one in made.findings if one.level == "error"] == []
    link = load.read(tmp_path / "tern.yml").profile.can_links["backbone"]
    assert (link.can, link.talks) == ("can0", {"ais": 0.4, "depth": 1, "heading": 10})
    assert "the groups of 3 devices" in made.text


@pytest.mark.parametrize("groups", [(), (GroupReport(65280, 5, 1.0),)])
def test_a_network_of_which_the_feed_makes_nothing(
    tmp_path: Path, groups: tuple[GroupReport, ...]
) -> None:
    with pytest.raises(UserError, match="no instrument was heard"):
        written(tmp_path, Heard([], [], networks=[NetworkReport("can0", groups)]))


def test_nothing_is_written_when_nothing_is_heard(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no instrument was heard"):
        written(tmp_path, survey(silent(adapter("A1"))))


def test_links_have_other_names_than_those_of_the_club(tmp_path: Path) -> None:
    (tmp_path / "club.yml").write_text(
        "links: {gnss: {adapter: {serial: X}, talks: [RMC]}}\n"
        "inputs: {wind: {listen: 10120}}\n"
        "network: {address: 10.47.7.1/24, access_point: {country: NL, channel: 11}}\n"
        "access: {keys: [a.pub]}\n"
    )
    made = written(tmp_path)
    boat = load.read(tmp_path / "tern.yml").profile
    assert [*boat.links] == ["gnss", "gnss-2", "wind-2", "ais", "depth"]
    assert (str(boat.network.address), boat.access.keys) == ("10.47.7.1/24", ["a.pub"])
    assert boat.network.access_point.channel == 11
    assert "address" not in made.text


def test_a_free_address(tmp_path: Path) -> None:
    create_club(tmp_path / "boats")
    boats = load.read_all(load.list_profiles(tmp_path / "boats"))
    assert free_address(boats) == "10.47.4.1/24"
    assert free_address(boats[:1]) == "10.47.1.1/24"
