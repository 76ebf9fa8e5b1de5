# SPDX-License-Identifier: GPL-3.0-or-later
"""From the adapters to the tablets: what is plugged in, what it says, who hears it, who steers."""

from __future__ import annotations

import random
import re
import shlex
import time
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pynmea2
import pytest
from pyais.stream import IterMessages

from provision.bench.simulation.instruments import Instruments
from provision.bench.simulation.sentences import checksum, sentence
from provision.profile.schema.links import LinkConfig
from provision.push.result import Outcome
from tests.support.boats import Virtual
from tests.system.faults.fault import until
from tests.system.faults.instruments import said_again_and_again, settled
from tests.system.feed_clients import apb, reading, steering

#: Worked example printed in many receivers' manuals; recomputed.
GLL = b"$GPGLL,5057.970,N,00146.110,E,142451,A*27\r\n"

#: The same with a wrong checksum, and its beginning without its end.
WRONG = GLL.replace(b"*27", b"*26")
PARTIAL = GLL[:20]


#: From the start delimiter to CR LF (IEC 61162-1).
LENGTH = 82

#: Seconds without a heading, of which there are ten in each: less than the boat waits for
#: a slow client, more than a busy bench loses.
LATE = 10

#: The simulated boat's identity on AIS; see provision/bench/simulation/boat.py.
OWN = 200000001

#: A client that connects and never reads, with as little room as the kernel grants.
SLOW = """
import socket, time
client = socket.socket()
client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1)
client.connect(("10.47.1.1", 10110))
time.sleep(600)
"""


def of_length(characters: int) -> bytes:
    """Return a right sentence of so many characters from its start delimiter to CR LF."""
    body = "IITXT,01,01,01," + "x" * (characters - len("$IITXT,01,01,01,*00\r\n"))
    return f"${body}*{checksum(body)}\r\n".encode()


def serials(boat: Virtual) -> dict[str, str]:
    """Return the serial number of the adapter behind each name in /dev/boat."""
    show = "udevadm info --query=property --property=ID_SERIAL_SHORT --value"
    said = boat.ask(f'for name in /dev/boat/*; do echo "$name" $({show} "$name"); done')
    pairs = (line.partition(" ") for line in said.splitlines())
    return {Path(name).name: serial for name, _, serial in pairs}


def lines(received: list[tuple[float, bytes]]) -> list[bytes]:
    """Return what was received, without a last line that was cut by leaving."""
    return [line for _, line in received if line.endswith(b"\n")]


@pytest.fixture(scope="module")
def instruments(kittiwake: Virtual) -> Instruments:
    assert kittiwake.bench.instruments is not None
    until(lambda: settled(kittiwake), "the instruments")
    return kittiwake.bench.instruments


@pytest.fixture(scope="module")
def tablet(kittiwake: Virtual) -> Virtual:
    """Give the boat, once the tablet has joined its network."""
    joined = kittiwake.bench.join()
    assert joined["address"].startswith("10.47.1.")
    assert (joined["router"], joined["names"]) == ("10.47.1.1", ["10.47.1.1"])
    return kittiwake


@pytest.fixture(scope="module")
def wanted(kittiwake: Virtual) -> dict[str, str]:
    """Give the serial number of each link's adapter, as the profile says."""
    adapters = {
        name: link.adapter
        for name, link in kittiwake.bench.profile.links.items()
        if isinstance(link, LinkConfig)
    }
    return {name: adapter.serial for name, adapter in adapters.items() if adapter.serial}


def test_adapters_that_were_plugged_in_in_another_order(
    kittiwake: Virtual, wanted: dict[str, str]
) -> None:
    """The kernel numbers them as they come; the names are the profile's all the same."""
    assert kittiwake.bench.emulator.order != list(kittiwake.bench.profile.links)
    assert serials(kittiwake) == wanted


def test_the_boats_own_udev_finds_no_fault_with_the_rules(kittiwake: Virtual) -> None:
    """`udevadm verify` is newer than the udev of some machines that build cards."""
    rules = "/etc/udev/rules.d/70-boat.rules"
    assert "Fail:    0" in kittiwake.ask(f"udevadm verify {rules}")
    spoilt = f"(cat {rules}; echo 'KERNEL=\"a match key takes no value\"') > /tmp/70-spoilt.rules"
    kittiwake.ask(spoilt)
    assert "Fail:    1" in kittiwake.ask("udevadm verify /tmp/70-spoilt.rules", check=False)


@pytest.mark.parametrize("seed", [1, 2])
def test_adapters_that_are_plugged_in_anew(
    kittiwake: Virtual, instruments: Instruments, wanted: dict[str, str], seed: int
) -> None:
    """Each link hears its own instrument alone, with any numbers from the kernel."""
    draw, order = random.Random(seed), list(wanted)
    for move in (kittiwake.bench.unplug, kittiwake.bench.plug):
        draw.shuffle(order)
        for link in order:
            move(link)
    until(lambda: serials(kittiwake) == wanted, "the names")
    until(lambda: settled(kittiwake), "the instruments")
    heard = {name: set(link["rates"]) for name, link in kittiwake.feed()["links"].items()}
    assert heard == {name: set(link.talks) for name, link in kittiwake.bench.profile.links.items()}


def test_an_adapter_pulled_out_and_put_back(kittiwake: Virtual, instruments: Instruments) -> None:
    """The adapter comes back by itself, and the others go on."""
    before = kittiwake.feed()["links"]
    kittiwake.bench.unplug("gnss")
    until(lambda: not kittiwake.feed()["links"]["gnss"]["present"], "the link to go")
    assert "gnss" not in serials(kittiwake)
    kittiwake.bench.plug("gnss")
    until(lambda: kittiwake.feed()["links"]["gnss"]["present"], "the link to come back")
    until(lambda: settled(kittiwake), "the instruments")
    after = kittiwake.feed()["links"]
    opened = {name: after[name]["opened"] - before[name]["opened"] for name in after}
    assert opened == {"gnss": 1, "depth-log": 0, "ais": 0, "autopilot": 0}


def test_what_is_no_sentence_is_dropped_and_counted(
    kittiwake: Virtual, instruments: Instruments
) -> None:
    """A sentence right behind a partial one, and one of the greatest length, still come through."""
    before = kittiwake.feed()["links"]["gnss"]["errors"]
    longest, too_long = of_length(LENGTH), of_length(LENGTH + 1)
    with reading(kittiwake) as received:
        for said in (b"\xfe\x00\xb5 noise\r\n", WRONG, too_long, PARTIAL, GLL, longest):
            instruments.say("gnss", said)
        until(lambda: longest in lines(received), "what was said last")
    after = kittiwake.feed()["links"]["gnss"]["errors"]
    counted = {kind: after[kind] - before[kind] for kind in after if after[kind] > before[kind]}
    assert counted == {"noise": 2, "checksum": 1, "length": 1}
    assert lines(received).count(GLL) == 1
    assert [line for line in lines(received) if line in (WRONG, too_long)] == []
    assert all(line.startswith((b"$", b"!")) for line in lines(received))


def test_a_client_that_never_reads_slows_no_other(
    kittiwake: Virtual, instruments: Instruments
) -> None:
    """Until the boat hangs up on it, another gets all that is said, without a pause."""

    def slow_is_there() -> bool:
        return "10.47.1.1" in kittiwake.feed()["outputs"]["tcp"]["addresses"]

    loud = sentence("SDDPT", ["9.9", "0.6", "100.0"])
    with (
        reading(kittiwake) as received,
        said_again_and_again(kittiwake, "ais", loud, 0.05),
    ):
        kittiwake.ask(f"systemd-run --quiet --unit=slow python3 -c {shlex.quote(SLOW)}")
        until(slow_is_there, "the slow client")
        start, first = time.monotonic(), instruments.sent("autopilot")["HDG"]
        until(lambda: not slow_is_there(), "the boat to hang up", seconds=180)
        end, said = time.monotonic(), instruments.sent("autopilot")["HDG"] - first
    assert kittiwake.ask("systemctl is-active slow") == "active\n"
    kittiwake.ask("systemctl stop slow")
    came = [at for at, line in received if start < at < end and line[3:6] == b"HDG"]
    assert abs(len(came) - said) <= 0.1 * said
    longest = max(after - before for before, after in pairwise(came))
    assert longest < LATE, f"{longest:.1f} s without a heading"


def test_the_boat_answers_to_its_name(tablet: Virtual) -> None:
    """The boat answers to no other name: without an uplink it knows none."""

    def resolved(name: str) -> list[str]:
        found = tablet.bench.tablet.ask("resolve", name=name, server="10.47.1.1")["answer"]
        _, _, answer = found.partition("Name:")
        return re.findall(r"Address[^:]*:\s*(\S+)", answer)

    for name in ("kittiwake", "kittiwake.boat", "kittiwake.local"):
        assert resolved(name) == ["10.47.1.1"], name
    for name in ("dunlin.boat", "example.org"):
        assert resolved(name) == [], name


def test_what_the_tablet_receives_can_be_read_by_others(tablet: Virtual) -> None:
    """pynmea2 and pyais are general-purpose reference libraries on PyPI."""
    heard = tablet.bench.read(seconds=10)["lines"][:-1]
    boxes = tablet.bench.tablet.ask("datagrams", port=10110, seconds=10)["datagrams"]
    assert {box["from"] for box in boxes} == {"10.47.1.1"}
    cast = [line for box in boxes for line in box["data"].splitlines()]
    wanted = {name for link in tablet.bench.profile.links.values() for name in link.talks}
    for received in (heard, cast):
        ships = [line for line in received if line.startswith("!")]
        own = [pynmea2.parse(line, check=True) for line in received if line not in ships]
        assert {one.sentence_type for one in own} | {line[3:6] for line in ships} == wanted
        messages = [one.decode().asdict() for one in IterMessages(line.encode() for line in ships)]
        assert len(messages) == len([line for line in ships if line.split(",")[2] == "1"])
        fix = next(one for one in own if one.sentence_type == "RMC")
        assert abs(datetime.now(UTC) - fix.datetime).total_seconds() < 60
        mine = next(one for one in messages if one["mmsi"] == OWN and "lat" in one)
        assert (mine["lat"], mine["lon"]) == pytest.approx((fix.latitude, fix.longitude), abs=0.01)


def say_over_tcp(tablet: Virtual, line: bytes) -> None:
    """Send a line from the tablet to the feed's port, and stay a little."""
    tablet.bench.tablet.ask("listen", host="10.47.1.1", port=10110, seconds=3, send=line.decode())


def test_nobody_steers_whom_the_profile_does_not_name(
    tablet: Virtual, instruments: Instruments
) -> None:
    """The tablet over TCP does not steer, nor an instrument that the profile does not name."""

    def refused() -> int:
        return int(tablet.feed()["steering"]["refused"])

    before = refused()
    say_over_tcp(tablet, apb(1))
    until(lambda: refused() == before + 1, "the tablet's refusal")
    instruments.say("gnss", apb(2))
    until(lambda: refused() == before + 2, "the instrument's refusal")
    time.sleep(2)
    assert steering(instruments.heard("autopilot")) == []


def test_a_talker_steers_that_the_profile_names(
    tablet: Virtual, instruments: Instruments, tmp_path: Path
) -> None:
    """The last test of this file: the boat has another profile afterwards.

    When it is run once more, the boat has that profile already, and has steered by it.
    """
    club = tablet.club.copy(tmp_path / "boats")
    file = club.folder / "kittiwake.yml"
    file.write_text(file.read_text().replace("VTG]", "VTG, APB]"))
    assert tablet.push(club, prove=False).outcome in (Outcome.KEPT, Outcome.UNCHANGED)
    until(lambda: settled(tablet), "the instruments")
    before = len(steering(instruments.heard("autopilot")))
    say_over_tcp(tablet, apb(3))
    instruments.say("gnss", apb(4))
    heard = instruments.wait("autopilot", lambda now: len(steering(now)) > before, timeout=20)
    assert steering(heard)[before:] == [apb(4)]
