# SPDX-License-Identifier: GPL-3.0-or-later
"""The command surveys a boat over SSH, beside her running feed, and can be stopped at any time."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import pytest

from provision.onboard.feed.state_query import ask
from provision.profile import load
from tests.support.feed.rig import numbered
from tests.support.hull import Talker, wire
from tests.support.hull_ports import Port, ports
from tests.support.push import netns_boat
from tests.support.push.netns_fleet import NetnsFleet, netns_fleet, profile
from tests.support.survey_rig import wait_until

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root can wire namespaces")

BOAT = "avocet"

#: As the boat's own settings have them, but for the name of the state's socket: the rig has that.
STATE, PAUSE = "/run/boat-feed/real.sock", "/run/boat-feed/pause.sock"


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[NetnsFleet]:
    with netns_fleet(tmp_path_factory.mktemp("fleet"), {BOAT: profile(BOAT, 1)}) as fleet:
        fleet.switch_on([BOAT])
        yield fleet


@dataclass
class Feed:
    """The boat's real feed, aboard."""

    fleet: NetnsFleet

    def state(self) -> dict[str, Any]:
        return ask(f"{self.fleet.root(BOAT)}{STATE}")

    def link(self, name: str) -> dict[str, Any]:
        return dict(self.state()["links"][name])


@contextmanager
def feeding(fleet: NetnsFleet, links: dict[str, Any], **keys: Any) -> Iterator[Feed]:
    """Run the feed in the boat's namespaces, on terminals of this machine."""
    settings = {"links": links, "state": {"socket": STATE, "pause": PAUSE}, **keys}
    root, feed = fleet.root(BOAT), Feed(fleet)
    (root / "etc/boat/feed.json").write_text(json.dumps(settings))
    (root / STATE.lstrip("/")).unlink(missing_ok=True)
    child = root.parent.name
    spaces = ["nsenter", f"--target={child}", "--mount", "--net", "--pid", "--root", "--wd=/"]
    code = ["env", f"PYTHONPATH={netns_boat.REPOSITORY}", netns_boat.PYTHON, "-P"]
    with subprocess.Popen([*spaces, "--", *code, "-m", "provision.onboard.feed"]) as process:
        try:
            wait_until((root / STATE.lstrip("/")).exists)
            wait_until(lambda: all(link["present"] for link in feed.state()["links"].values()))
            yield feed
        finally:
            (pid,) = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
            os.kill(int(pid), signal.SIGTERM)


class Numbered:
    """A talker on a port that numbers its sentences, and none that is lost is overlooked."""

    def __init__(self, port: Port) -> None:
        self.said, self._port = 0, port

    def say(self) -> None:
        os.write(self._port.master, numbered(self.said))
        self.said += 1


def survey(fleet: NetnsFleet, *words: str, talk: Numbered | None = None) -> dict[str, Any]:
    """Run the command to its end, while an instrument talks twenty times a second."""
    with fleet.start("survey", BOAT, *words, "--json") as process:
        while process.poll() is None:
            if talk:
                talk.say()
            time.sleep(0.05)
        output, errors = process.communicate()
    assert process.returncode == 0, errors
    return dict(json.loads(output))


def test_a_new_adapter_is_listened_to_and_the_feeds_links_are_left_alone(
    fleet: NetnsFleet,
) -> None:
    wires = [wire(Random(1), Talker(9600, ("RMC", "GGA"), 0.5)), iter(())]
    with ports(*wires) as (new, depth):
        talk = Numbered(depth)
        with feeding(fleet, {"depth": {"device": depth.device, "talks": {"DPT": 20}}}) as feed:
            found = survey(fleet, "--device", new.device, "--device", depth.device, talk=talk)
            time.sleep(0.3)
            told = feed.link("depth")
            assert (told["sentences"], told["opened"]) == (talk.said, 1)
            assert sum(told["errors"].values()) == 0
    assert new.sent == depth.sent == b""
    gnss, sounder = found["ports"]
    assert (gnss["device"], gnss["baud"], gnss["looks_like"]) == (
        *(new.device, 9600, "GNSS receiver"),
    )
    assert (gnss["link"], gnss["feed"]) == (None, None)
    assert gnss["sentences"]["GPRMC"] == pytest.approx(2, abs=0.3)
    assert (sounder["device"], sounder["link"], sounder["feed"], sounder["baud"]) == (
        *(depth.device, "depth", "heard", 4800),
    )
    assert found["networks"] == []


def test_all_listens_on_the_feeds_links_too(fleet: NetnsFleet) -> None:
    """One after another, and those that the pilot needs only with the operator's word."""
    wires = [wire(Random(2), Talker(4800, ("HDG", "ROT"), 0.3)), iter(()), iter(())]
    with ports(*wires) as (compass, pilot, _gone):
        links = {
            "compass": {"device": compass.device, "baud": 38400, "talks": {"HDG": 3}},
            "pilot": {"device": pilot.device, "listens": {"APB": 1, "HDG": 3}},
        }
        steering = {"link": "pilot", "sentences": ["APB"], "from": {}}
        with feeding(fleet, links, steering=steering) as feed:
            refused = fleet.provision("survey", BOAT, "--all", "--json")
            assert refused.status == 2
            assert "the pilot gets no HDG from compass; the pilot on pilot" in refused.errors
            assert "nothing was paused" in refused.output
            assert {link["opened"] for link in feed.state()["links"].values()} == {1}
            done = fleet.provision("survey", BOAT, "--all", "--yes", "--json")
            assert done.status == 0, done.errors
            assert "caution: Each link of avocet is paused" in done.errors
            wait_until(lambda: feed.link("compass")["present"] and feed.link("pilot")["present"])
            assert {link["opened"] for link in feed.state()["links"].values()} == {2}
    found = {port["link"]: port for port in json.loads(done.output)["ports"]}
    assert (found["compass"]["baud"], found["compass"]["looks_like"]) == (4800, "compass")
    assert (found["pilot"]["baud"], found["pilot"]["feed"]) == (None, None)


@contextmanager
def silent_compass(fleet: NetnsFleet, **keys: Any) -> Iterator[Feed]:
    """Run the feed with one link, whose instrument says nothing."""
    with (
        ports(iter(())) as made,
        feeding(fleet, {"compass": {"device": made[0].device}}, **keys) as feed,
    ):
        yield feed


def paused(fleet: NetnsFleet, feed: Feed) -> subprocess.Popen[str]:
    """Start the command, and return when it has the only link's port."""
    process = fleet.start("survey", BOAT, "--all", "--json")
    wait_until(lambda: feed.link("compass")["paused"] or process.poll() is not None)
    assert process.poll() is None, process.communicate()
    return process


def none_aboard(fleet: NetnsFleet) -> bool:
    """Whether the program has ended aboard."""
    for entry in (fleet.root(BOAT) / "proc").glob("[0-9]*/cmdline"):
        try:
            line = entry.read_bytes()
        except OSError:
            continue
        if b"memfd_create" in line and b"-I" in line:
            return False
    return True


def test_ctrl_c_ends_the_program_aboard_and_gives_the_link_back(fleet: NetnsFleet) -> None:
    with silent_compass(fleet) as feed:
        process = paused(fleet, feed)
        assert not none_aboard(fleet)
        begun = time.monotonic()
        process.send_signal(signal.SIGINT)
        wait_until(lambda: feed.link("compass")["present"], 3)
        _, errors = process.communicate(timeout=5)
        assert process.returncode == 130, errors
        wait_until(lambda: none_aboard(fleet), 5)
        assert time.monotonic() - begun < 5


def test_a_boat_whose_settings_are_older_can_be_surveyed_but_for_its_links(
    fleet: NetnsFleet,
) -> None:
    with silent_compass(fleet, state={"socket": STATE}):
        refused = fleet.provision("survey", BOAT, "--all", "--json")
        assert refused.status == 2
        assert "its settings are of an older version" in refused.output
        assert "survey without --all" in refused.output
        (port,) = survey(fleet)["ports"]
    assert (port["link"], port["feed"], port["baud"]) == ("compass", "silent", None)


def plug(fleet: NetnsFleet, port: Port, serial: str, socket: str) -> None:
    """Have the boat's kernel describe a terminal as a port of a USB adapter."""
    usb = fleet.root(BOAT) / "run/usb" / socket
    interface = usb / f"{socket}:1.0"
    (interface / "ttyUSB0").mkdir(parents=True)
    for name, text in (("serial", serial), ("idVendor", "1d6b"), ("idProduct", "0104")):
        (usb / name).write_text(f"{text}\n")
    (interface / "bInterfaceNumber").write_text("00\n")
    fleet.aboard(BOAT, "mount", "-t", "tmpfs", "tmpfs", "/sys/class/tty")
    name = Path(port.device).name
    link = f"/run/usb/{socket}/{socket}:1.0/ttyUSB0"
    fleet.aboard(BOAT, "mkdir", f"/sys/class/tty/{name}")
    fleet.aboard(BOAT, "ln", "-s", link, f"/sys/class/tty/{name}/device")


def test_a_wrong_baud_rate_is_corrected_from_ashore(fleet: NetnsFleet) -> None:
    """The profile says 4800 baud, and the instrument of that adapter has 38400."""
    # A terminal has 38400 baud of itself, until the feed has opened it.
    with ports(wire(Random(3), Talker(38400, ("RMC", "GGA"), start=5.0))) as (gnss,):
        plug(fleet, gnss, "RG-01-01", "1-1.2")
        with feeding(fleet, {"gnss": {"device": gnss.device}}) as feed:
            wait_until(lambda: feed.link("gnss")["load"] > 0)
            words = ("survey", BOAT, "--boats", str(fleet.boats))
            told = json.loads(fleet.provision(*words, "--into", BOAT, "--yes", "--json").output)
            assert (told["ports"][0]["feed"], told["ports"][0]["serial"]) == ("garbled", "RG-01-01")
            # What the feed hears changes no profile.
            assert told["profile"]["changes"] == []
            done = fleet.provision(*words, "--all", "--into", BOAT, "--yes", "--json")
            assert done.status == 0, done.errors
            wait_until(lambda: feed.link("gnss")["present"])
    assert load.read(fleet.file(BOAT)).profile.serial_links["gnss"].baud == 38400
    fleet.aboard(BOAT, "umount", "/sys/class/tty")


def test_a_cut_connection_gives_the_link_back(fleet: NetnsFleet) -> None:
    """Last: the wire stays cut."""
    with silent_compass(fleet) as feed:
        process = paused(fleet, feed)
        fleet.cut(BOAT)
        begun = time.monotonic()
        wait_until(lambda: feed.link("compass")["present"], 15)
        assert time.monotonic() - begun < 14
        output, _ = process.communicate(timeout=30)
        assert process.returncode == 2
        assert "nothing came for 10 s" in output
        assert "what was paused is the feed's again" in output
        wait_until(lambda: none_aboard(fleet), 5)
