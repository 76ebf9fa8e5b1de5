# SPDX-License-Identifier: GPL-3.0-or-later
"""Inputs, filters, preference, steering, clock and log: read, or told with location and hint."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.errors import UserError
from provision.onboard.feed.nmea0183 import kinds, transmission_groups
from provision.onboard.feed.nmea2000 import pgn
from provision.profile import load
from provision.profile.schema import feed, links, types
from tests.support.profiles import errors_of, replaced

GOOD = """\
boat: tern
board: x86-64
network:
  address: 10.47.9.1/24
  access_point: {ssid: Tern, country: GB}
  tablets: {chart-table: {mac: "02:00:00:12:34:56"}}
links:
  gnss: {adapter: {serial: A1}, talks: [RMC, GGA]}
  pilot: {adapter: {serial: A2}, talks: {HDG: 10}, listens: {APB: 1, RMC: 2}}
  plotter: {adapter: {serial: A3}, talks: [APB], takes: {but: [GSV]}}
  backbone: {can: can0, talks: [heading, depth]}
inputs:
  ais: {tcp: "10.47.9.60:10110", talks: [VDM, RMC]}
  guests: {udp: 10111}
feed:
  udp: [10.47.9.60, "10.47.9.61:2000"]
  gives: {tcp: {but: [GSV, {link: ais, talker: GP}]}, 10.47.9.60: {only: [VDM]}}
  prefer: {position: [gnss, ais], silence: 10 s}
steering: {link: pilot, from: [chart-table, plotter], sentences: [APB]}
clock: {from: [gnss]}
log: {keep: 30 days, cap: 2 GB}
access:
  keys: [operator.pub]
"""


def errors_with(folder: Path, old: str, new: str) -> list[UserError]:
    """Return what is wrong after replacing a piece of the good profile."""
    path = folder / "tern.yml"
    path.write_text(replaced(GOOD, (old, new)))
    return errors_of(path)


def test_the_good_profile_is_read(tmp_path: Path) -> None:
    path = tmp_path / "tern.yml"
    path.write_text(GOOD)
    profile = load.read(path).profile
    assert list(profile.serial_links) == ["gnss", "pilot", "plotter"]
    assert profile.can_links["backbone"].talks == {"heading": 1.0, "depth": 1.0}
    assert profile.serial_links["pilot"].listens == {"APB": 1.0, "RMC": 2.0}
    assert profile.feed.udp == ["10.47.9.60:10110", "10.47.9.61:2000"]
    assert list(profile.feed.gives) == ["tcp", "10.47.9.60:10110"]
    assert profile.feed.prefer is not None
    assert profile.feed.prefer.sources_by_kind == {"position": ["gnss", "ais"]}
    assert (profile.feed.prefer.silence, profile.feed.prefer.steady) == (10.0, 10.0)
    assert profile.steering is not None and profile.steering.senders == ["chart-table", "plotter"]
    assert profile.clock is not None and profile.clock.sources == ["gnss"]
    assert profile.log is not None
    assert (profile.log.keep, profile.log.cap) == (30 * 86400, 2 * 10**9)


def test_without_these_keys_all_of_it_is_off(tmp_path: Path) -> None:
    head, _, rest = GOOD.partition("  backbone:")
    path = tmp_path / "tern.yml"
    path.write_text(head + rest[rest.index("access:") :])
    profile = load.read(path).profile
    assert (profile.inputs, profile.steering, profile.clock, profile.log) == ({}, None, None, None)
    assert profile.feed == feed.FeedConfig(
        tcp=10110, udp=10110, multicast=False, gives={}, prefer=None
    )


CAN = "can: can0, talks: [heading, depth]"
TCP = 'tcp: "10.47.9.60:10110"'
SENDERS = "[chart-table, plotter]"
LOG = "{keep: 30 days, cap: 2 GB}"


@pytest.mark.parametrize(
    ("old", "new", "location", "message", "hint"),
    [
        # links over SocketCAN
        ("can: can0", "can: eth0", "11:19: links.backbone.can", "not a CAN interface", "can0"),
        ("[heading, depth]", "[heading, dept]", "11:42: links.backbone.talks[1]", "", "depth?"),
        ("[heading, depth]", "{dept: 1}", "11:33: links.backbone.talks.dept", "'dept'", "depth?"),
        ("[heading, depth]", "heading", "11:32: links.backbone.talks", "no kinds", "a list"),
        ("[heading, depth]", "[wind, wind]", "11:25: links.backbone.talks", "wind stands", "rate"),
        (
            "[heading, depth]",
            "{depth: 0}",
            "11:40: links.backbone.talks.depth",
            "at least 0.001",
            "",
        ),
        (CAN, "can: can0", "11:3: links.backbone.talks", "the key talks is missing", ""),
        (CAN, f"{CAN}, baud: 4800", "11:50: links.backbone.baud", "no key baud", "can, talks"),
        ("serial: A3}", "serial: A3}, can: can1", "10:13: links.plotter.adapter", "no key", ""),
        (CAN, f"{CAN}}}\n  two: {{can: can0, talks: [wind]", "12:14: links.two.can", "", ":11"),
        ("adapter: {serial: A1}, ", "", "8:3: links.gnss.adapter", "adapter is missing", ""),
        # inputs
        ('"10.47.9.60:10110"', "10.47.9.60", "13:14: inputs.ais.tcp", "and a port", ":10110"),
        ('"10.47.9.60:10110"', "ais:10110", "13:14: inputs.ais.tcp", "IPv4", "no names"),
        ('"10.47.9.60:10110"', "10.47.9.60:0", "13:14: inputs.ais.tcp", "'0' is not a port", ""),
        ('"10.47.9.60:10110"', "127.0.0.1:9", "13:14: inputs.ais.tcp", "a device", ""),
        (TCP, "tpc: 1", "13:9: inputs.ais.tpc", "no key tpc", "tcp?"),
        (TCP, "udp: 1, listen: 2", "13:3: inputs.ais", "comes in one way", ""),
        (f"{TCP}, ", "", "13:3: inputs.ais", "comes in one way: tcp, listen, udp", ""),
        (TCP, "multicast: [NAVE]", "13:21: inputs.ais.multicast[0]", "not one of MISC, TGTD", "?"),
        (TCP, "multicast: []", "13:9: inputs.ais.multicast", "at least one", "NAVD"),
        (TCP, "multicast: [NAVD, NAVD]", "13:3: inputs.ais", "NAVD stands here twice", ""),
        (TCP, "listen: 10110", "13:17: inputs.ais.listen", "taken by feed.tcp", "each its own"),
        (TCP, "udp: 10111", "14:17: inputs.guests.udp", "UDP port 10111 is taken by", ":13"),
        ("{udp: 10111}", '{tcp: "10.47.9.60:10110"}', "14:17: inputs.guests.tcp", "server", ""),
        ("udp: 10111", "udp: 60004}\n  m: {multicast: [NAVD]", "15:7: inputs.m.multicast", "", ""),
        ("guests:", "gnss:", "14:3: inputs.gnss", "the name of a link already", ""),
        # where sentences go
        ('[10.47.9.60, "10.47.9.61:2000"]', "lots", "16:8: feed.udp", "neither a port", "null"),
        ("10.47.9.60, ", "host, ", "16:3: feed.udp", "'host' is not an IPv4 address", ""),
        ("10.47.9.61:2000", "10.47.9.60:10110", "16:3: feed.udp", "twice", ""),
        ("tcp: {but", "tpc: {but", "17:11: feed.gives.tpc", "no output", "multicast"),
        ("tcp: {but", "multicast: {but", "17:11: feed.gives.multicast", "no output", "tcp"),
        ("10.47.9.60: {", "10.47.9.62: {", "17:3: feed.gives", "output 10.47.9.62:10110", ""),
        ("tcp: {but", '"10.47.9.60:10110": {but', "17:3: feed.gives", "stands here twice", "once"),
        ("{only: [VDM]}", "{}", "17:55: feed.gives.10.47.9.60", "only, but, or both", ""),
        ("[VDM]}", "[vdm]}", "17:75: feed.gives.10.47.9.60.only[0]", "formatter", "RMC"),
        ("[VDM]}", "[{}]}", "17:75: feed.gives.10.47.9.60.only[0]", "name a talker", ""),
        ("talker: GP", "talker: gps", "17:48: feed.gives.tcp.but[1].talker", "not a talker", "GP"),
        ("link: ais", "link: aix", "17:35: feed.gives.tcp.but[1].link", "link or input", "ais?"),
        ("[GSV]", "[{link: gnss}]", "10:71: links.plotter.takes.but[0].link", "one link", "gives"),
        ("takes:", "gives:", "10:3: links.plotter", "listens to nothing", ""),
        # preference
        ("[gnss, ais]", "[gnss, ias]", "18:29: feed.prefer.position[1]", "input ias", "ais?"),
        ("[gnss, ais]", "[ais, ais]", "18:12: feed.prefer.position", "ais stands here twice", ""),
        ("position:", "positon:", "18:12: feed.prefer.positon", "no key", "position?"),
        ("position: [gnss, ais], ", "", "18:3: feed.prefer", "no kind of data", "[gnss, gnss-2]"),
        ("10 s", "10", "18:44: feed.prefer.silence", "not a duration", "10 s, 5 min"),
        ("10 s", "2 h", "18:44: feed.prefer.silence", "out of range", "from 1 s to 1 h"),
        # steering
        ("link: pilot", "link: pilto", "19:18: steering.link", "no link pilto", "pilot?"),
        ("link: pilot", "link: backbone", "19:18: steering.link", "not a serial link", "pilot"),
        ("s: [APB]}", "s: [RMC]}", "19:67: steering.sentences[0]", "does not steer", "APB, BEC"),
        ("s: [APB]}", "s: [RMB]}", "19:67: steering.sentences[0]", "does not listen", "add RMB"),
        ("s: [APB]}", "s: []}", "19:55: steering.sentences", "at least one", ""),
        (f"from: {SENDERS}, ", "", "19:1: steering.from", "the key from is missing", ""),
        ("from: [c", "form: [c", "19:25: steering.form", "no key form", "did you mean from?"),
        ("[chart-table, p", "[chart-tabel, p", "19:32: steering.from[0]", "no tablet", "-table?"),
        ("e, plotter]", "e, pilot]", "19:45: steering.from[1]", "would steer itself", ""),
        ("e, plotter]", "e, gnss]", "19:45: steering.from[1]", "none of the sentences", "talks"),
        ("e, plotter]", "e, ais]", "19:45: steering.from[1]", "takes its address", "tablets"),
        ("e, plotter]", "e, backbone]", "19:45: steering.from[1]", "not a serial link", ""),
        ("{chart-table:", "{plotter:", "19:32: steering.from[0]", "no tablet or link chart", ""),
        # clock
        ("from: [gnss]", "from: [pilot]", "20:16: clock.from[0]", "date", "ZDA"),
        (
            "clock: {from: [gnss]}",
            "clock: {from: [ais]}",
            "20:16: clock.from[0]",
            "no link ais",
            "",
        ),
        ("clock: {from: [gnss]}", "clock: {}", "20:1: clock.from", "from is missing", ""),
        # log
        ("30 days", "36 h", "21:13: log.keep", "whole days", "from 1 day"),
        ("30 days", "30", "21:13: log.keep", "not a duration", "30 days"),
        ("2 GB", "2 MB", "21:27: log.cap", "a log of 2 MB is too small", "10 MB"),
        ("2 GB", "2000000000", "21:27: log.cap", "not a size", "32 GB"),
        (LOG, "{keeps: 3 days}", "21:7: log.keeps", "no key keeps", "keep?"),
    ],
)
def test_each_mistake_is_reported_with_its_location(
    tmp_path: Path, old: str, new: str, location: str, message: str, hint: str
) -> None:
    told = {
        str(error.location).removeprefix(f"{tmp_path}/tern.yml:"): error
        for error in errors_with(tmp_path, old, new)
    }
    assert location in told
    assert message in told[location].message
    assert hint in told[location].hint
    assert told[location].hint


def test_a_tablet_and_a_link_of_one_name_cannot_both_be_meant(tmp_path: Path) -> None:
    (error,) = errors_with(
        tmp_path, 'e: {mac: "02', 'e: {mac: "02:00:00:00:00:01"}, plotter: {mac: "02'
    )
    assert "plotter is both a tablet and a link" in error.message
    assert str(error.location) == f"{tmp_path}/tern.yml:19:45: steering.from[1]"


@pytest.mark.parametrize(
    ("written", "seconds"),
    [("10 s", 10), ("1.5 s", 1.5), ("5min", 300), ("2 h", 7200), ("1 day", 86400)],
)
def test_durations(written: str, seconds: float) -> None:
    assert types._DURATION.read(written) == seconds


@pytest.mark.parametrize(
    "written",
    ["", "10", "s", "-1 s", "1 S", "1 second", "1e3 s", "1 s ", "1 d", 10, None, True],
)
def test_what_is_no_duration(written: object) -> None:
    with pytest.raises(types.InvalidValue, match="is not a duration"):
        types._DURATION.read(written)


def test_the_kinds_and_groups_are_those_of_the_feed() -> None:
    assert set(feed.PreferConfig.model_fields) - {"silence", "steady"} == set(kinds.KINDS)
    assert set(types.DataKind.__args__) == set(pgn.MADE_OF)  # type: ignore[attr-defined]
    for kind, made in pgn.MADE_OF.items():
        assert {kinds.KIND_OF.get(formatter, kind) for formatter in made} == {kind}
    assert set(links.TransmissionGroup.__args__) == set(transmission_groups.GROUPS)  # type: ignore[attr-defined]
