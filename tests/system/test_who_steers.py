# SPDX-License-Identifier: GPL-3.0-or-later
"""Only the right tablet steers over the air: three simulated radios, and hostapd itself.

One boat for all tests, which go on from each other. The tablet's radio plays the right one or
somebody else; a second device has the third radio.
"""

from __future__ import annotations

import shlex
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import pytest

from provision.bench.simulation.instruments import Instruments
from provision.checks.network.wifi import channel_frequency
from provision.errors import UserError
from provision.profile.secrets.store import derive_psk
from provision.push.result import Outcome
from tests.support.boats import Club, Virtual
from tests.system.faults.fault import until
from tests.system.faults.network import kept_aside, put_back
from tests.system.feed_clients import apb, steering

BOAT = "fulmar"

#: The right tablet's hardware address, another tablet's, a guest's.
NAMED, OTHER, STRANGER = "02:00:00:00:01:00", "02:00:00:00:01:01", "02:00:00:00:0a:0b"

#: The first of the addresses that are kept for named tablets.
CHART_TABLE = "10.47.9.204"

FULMAR = f"""
boat: fulmar
includes: [club.yml]
board: x86-64
network:
  address: 10.47.9.1/24
  access_point: {{ssid: Fulmar}}
  tablets:
    chart-table: {{mac: "{NAMED}", own_pass_phrase: true}}
    galley: {{mac: "{OTHER}", own_pass_phrase: true}}
links:
  gnss:      {{adapter: {{serial: FM-GNSS-01}}, baud: 4800, talks: [RMC, GGA, VTG]}}
  autopilot: {{adapter: {{serial: FM-PLOT-03}}, talks: {{HDG: 5}}, listens: [APB]}}
steering: {{link: autopilot, from: [chart-table], sentences: [APB]}}
"""

#: The second device: a radio, a network namespace and a supplicant of its own.
GUEST = "ip netns exec guest"
GUEST_CONF = "/run/guest.conf"
SEND = (
    "import socket, sys, time; s = socket.create_connection(('10.47.9.1', 10110), 10);"
    "s.sendall(sys.argv[1].encode()); time.sleep(2)"
)


@pytest.fixture(scope="module")
def fulmar(club: Club, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Virtual]:
    own = club.copy(tmp_path_factory.mktemp("who-steers") / "boats")
    (own.folder / f"{BOAT}.yml").write_text(FULMAR)
    with own.launch(BOAT) as boat:
        yield boat


@pytest.fixture(scope="module")
def instruments(fulmar: Virtual) -> Instruments:
    assert fulmar.bench.instruments is not None
    return fulmar.bench.instruments


def station(boat: Virtual, mac: str) -> dict[str, str]:
    """Return what hostapd itself says of a station."""
    said = boat.ask(f"hostapd_cli -i wlan0 sta {mac}", check=False).splitlines()
    return dict(line.partition("=")[::2] for line in said[1:]) if said[:1] == [mac] else {}


def send(boat: Virtual, sentence: bytes, **more: object) -> None:
    """Let the tablet say something to the feed, as a program does that also reads it."""
    ask: dict[str, Any] = {"host": "10.47.9.1", "port": 10110, "seconds": 20, "lines": 8}
    boat.bench.tablet.ask("listen", send=sentence.decode(), **ask, **more)


def refused(boat: Virtual) -> int:
    return int(boat.feed()["steering"]["refused"])


def heard_by_pilot(instruments: Instruments) -> list[bytes]:
    """Return all that has steered so far."""
    return steering(instruments.heard("autopilot"))


def steers(boat: Virtual, instruments: Instruments, number: int) -> bool:
    """Report whether the pilot gets a sentence of the tablet, before it counts as refused."""
    before, sentence = refused(boat), apb(number)
    send(boat, sentence)
    until(lambda: sentence in heard_by_pilot(instruments) or refused(boat) > before, "the end")
    time.sleep(1)
    assert (sentence in heard_by_pilot(instruments)) != (refused(boat) > before)
    return sentence in heard_by_pilot(instruments)


@contextmanager
def second_device(boat: Virtual, mac: str, address: str) -> Iterator[None]:
    """Another device joins by the boat's own pass-phrase, with addresses of its choice."""
    point = boat.bench.profile.network.access_point
    key = derive_psk(boat.bench.secrets.pass_phrase, point.ssid)
    conf = (
        f"ctrl_interface=/run/guest\nnetwork={{\n ssid={point.ssid.encode().hex()}\n psk={key}\n"
        f" scan_freq={channel_frequency(point.channel)}\n key_mgmt=WPA-PSK\n}}\n"
    )
    if "guest" not in boat.ask("ip netns list"):
        phy = boat.ask("cat /sys/class/net/wlan2/phy80211/name").strip()
        boat.ask(f"ip netns add guest && iw phy {phy} set netns name guest")
    boat.ask(f"printf %s {shlex.quote(conf)} > {GUEST_CONF}")
    boat.ask(f"ip -n guest link set wlan2 down && ip -n guest link set wlan2 address {mac}")
    supplicant = f"wpa_supplicant -B -i wlan2 -c {GUEST_CONF} -D nl80211 -P /run/guest.pid"
    boat.ask(f"{GUEST} {supplicant}")
    try:
        until(lambda: "=COMPLETED" in boat.ask(f"{GUEST} wpa_cli -p /run/guest -i wlan2 status"),
              "the guest on the air")  # fmt: skip
        boat.ask(f"ip -n guest address replace {address}/24 dev wlan2")
        yield
    finally:
        boat.ask("kill $(cat /run/guest.pid); ip -n guest address flush dev wlan2", check=False)


def test_the_right_tablet_steers(fulmar: Virtual, instruments: Instruments) -> None:
    """The tablet joined by its own pass-phrase, as hostapd says and the feed knows."""
    assert fulmar.bench.join(tablet="chart-table")["address"] == f"{CHART_TABLE}/24"
    assert station(fulmar, NAMED)["keyid"] == "chart-table"
    assert steers(fulmar, instruments, 1)
    said = fulmar.ask("journalctl --unit boat-feed --output cat")
    assert "steering: chart-table takes over from nobody" in said
    told = fulmar.feed()["steering"]["tablets"]
    assert told == {"chart-table": "joined by its own pass-phrase"}


def test_a_guest_with_the_boats_pass_phrase_and_its_addresses_does_not(
    fulmar: Virtual, instruments: Instruments
) -> None:
    assert fulmar.bench.join(mac=NAMED)["address"] == f"{CHART_TABLE}/24"
    there = station(fulmar, NAMED)
    assert "[AUTHORIZED]" in there["flags"] and "keyid" not in there
    assert not steers(fulmar, instruments, 2)
    told = fulmar.feed()["steering"]["tablets"]["chart-table"]
    assert told == "joined by another pass-phrase than its own"


def test_another_tablet_or_a_stranger_does_not_with_its_address(
    fulmar: Virtual, instruments: Instruments
) -> None:
    """Known by its own pass-phrase or by none: the address is taken from its station alone."""
    for who in ({"tablet": "galley"}, {"mac": STRANGER}):
        assert not fulmar.bench.join(**who)["address"].startswith(CHART_TABLE)
        assert not steers(fulmar, instruments, 3)
        fulmar.bench.tablet.ask("borrow", address=f"{CHART_TABLE}/24")
        with pytest.raises(UserError):
            fulmar.bench.tablet.ask("listen", host="10.47.9.1", port=10110, seconds=4,
                                    send=apb(4).decode(), source=CHART_TABLE)  # fmt: skip
    time.sleep(2)
    assert not {apb(3), apb(4)} & {*heard_by_pilot(instruments)}


def test_a_guest_in_its_place_while_it_is_there(fulmar: Virtual, instruments: Instruments) -> None:
    """hostapd holds one station for a hardware address: whoever proved a pass-phrase last."""
    fulmar.bench.join(tablet="chart-table")
    assert steers(fulmar, instruments, 5)
    before = refused(fulmar)
    with second_device(fulmar, NAMED, CHART_TABLE):
        tried = 0
        end = time.monotonic() + 10
        while time.monotonic() < end:
            tried += 1
            command = f"{GUEST} python3 -I -c {shlex.quote(SEND)} {shlex.quote(apb(6).decode())}"
            fulmar.ask(command, check=False)
        assert tried >= 2
        assert station(fulmar, NAMED), "neither of them is there"
    assert refused(fulmar) > before, "the guest was never heard"
    assert apb(6) not in heard_by_pilot(instruments)
    fulmar.bench.join(tablet="chart-table")
    assert steers(fulmar, instruments, 7)


def test_another_pass_phrase_for_one_tablet_leaves_the_others_joined(
    fulmar: Virtual, instruments: Instruments
) -> None:
    fulmar.bench.join(tablet="chart-table")
    old = fulmar.bench.secrets
    with second_device(fulmar, STRANGER, "10.47.9.110"):
        process = fulmar.ask("systemctl show --value -p MainPID hostapd")
        joined, asked = int(station(fulmar, STRANGER)["connected_time"]), time.monotonic()
        rotate = ["keys", BOAT, "--boats", fulmar.club.folder, "--rotate", "chart-table"]
        subprocess.run([sys.executable, "-m", "provision", *map(str, rotate)], check=True)
        result = fulmar.push()
        assert result.outcome is Outcome.KEPT, (result.step, result.reason)
        assert list(result.changed) == ["/etc/hostapd/boat.psk"]
        new = fulmar.club.open_boat(BOAT).secrets
        assert new.own_pass_phrases["chart-table"] not in str(result)
        # The other one was there all the time, and so was hostapd.
        longer = int(station(fulmar, STRANGER)["connected_time"]) - joined
        assert longer >= time.monotonic() - asked - 3
        assert fulmar.ask("systemctl show --value -p MainPID hostapd") == process
        assert "keyid" not in station(fulmar, NAMED)
    with pytest.raises(UserError):
        fulmar.bench.join(tablet="chart-table", seconds=15)
    fulmar.bench.secrets = new
    fulmar.bench.join(tablet="chart-table")
    assert steers(fulmar, instruments, 8)
    assert old.own_pass_phrases["galley"] == new.own_pass_phrases["galley"]


def test_the_suite_proves_it_and_sees_when_it_is_not_so(fulmar: Virtual) -> None:
    names = [f"own pass phrase [{name}]" for name in ("chart-table", "galley")]
    result = fulmar.verify(subjects=["access_point", "units", "ports"])
    assert result.passed, result.summary()
    assert {*names} <= {test.test for test in result.tests}
    file = "/etc/hostapd/boat.psk"
    aside = kept_aside(fulmar, file)
    faults = {
        "systemctl stop boat-stations": "systemctl start boat-stations",
        # The file says something else than hostapd has read.
        f"sed -i 's/^keyid=galley/#&/' {file}": "true",
    }
    for broken, repaired in faults.items():
        fulmar.ask(broken)
        time.sleep(5)
        try:
            result = fulmar.verify(subjects=["access_point"])
        finally:
            with suppress(AssertionError):
                fulmar.ask(repaired)
            put_back(fulmar, file, aside)
        assert {test.test for test in result.failed} == {*names}, result.summary()
    # Also to a boat-stations that has come after hostapd's pass-phrases were read again.
    result = fulmar.verify(subjects=["access_point"])
    assert result.passed, result.summary()
