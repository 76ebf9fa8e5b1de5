# SPDX-License-Identifier: GPL-3.0-or-later
"""Circles of devices that may pass on what they hear, and what breaks them."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.checks.sources.loops import find_circles
from tests.unit.checks.small_boat import findings, found, inputs, links


def two_way(
    name: str, formatters: str = "[HDG]", more: str = "", listens: str = "", adapter: str = ""
) -> str:
    """Return a link that talks sentences and is sent them."""
    return (
        f"{name}: {{adapter: {{serial: {name}{adapter}}}, baud: 38400, talks: {formatters}, "
        f"listens: {listens or formatters}{more}}}"
    )


def loops(folder: Path, *replacements: tuple[str, str]) -> list[str]:
    return [name for _, name in found(folder, *replacements, of="loop")]


def test_two_devices_that_are_sent_what_they_talk(tmp_path: Path) -> None:
    pair = links(two_way("plotter", "[HDG, VHW]"), two_way("display", "[VHW, HDG]"))
    (finding,) = findings(tmp_path, pair, of="loop")
    assert (finding.level, finding.check) == ("warning", "loop.plotter.display")
    assert "plotter -> display -> plotter" in finding.message
    assert "HDG and VHW" in finding.message
    assert "links.display.gives: {but: [{formatter: HDG, link: plotter}" in finding.hint
    assert finding.location.key == "links.display"


@pytest.mark.parametrize(
    "entries",
    [
        # As the hint says.
        (two_way("a"), two_way("b", more=", gives: {but: [{formatter: HDG, link: a}]}")),
        (two_way("a"), two_way("b", more=", gives: {but: [HDG]}")),
        (two_way("a"), two_way("b", "[HDG, MWV]", more=", takes: {only: [MWV]}")),
        (two_way("a"), two_way("b", more=", takes: {but: [HDG]}")),
        # Formatters that differ.
        (two_way("a", "[HDG]", listens="[VHW]"), two_way("b", "[VHW]", listens="[HDG]")),
        (two_way("a", "[HDG]", listens="[VHW]"), two_way("b")),
        # It cannot hear.
        (two_way("a"), two_way("b", adapter=", receives_only: true")),
        # No device alone gets its own sentences.
        (two_way("a"),),
    ],
)
def test_what_breaks_a_circle(tmp_path: Path, entries: tuple[str, ...]) -> None:
    assert loops(tmp_path, links(*entries)) == []


def test_a_filter_that_is_there_is_added_to(tmp_path: Path) -> None:
    more = two_way("b", more=", gives: {but: [{formatter: HDG, link: gnss}]}")
    (finding,) = findings(tmp_path, links(two_way("a"), more), of="loop")
    assert "add to links.b.gives.but: [{formatter: HDG, link: a}]" in finding.hint
    assert finding.location.key == "links.b.gives"
    net = inputs('net: {tcp: "10.47.9.60:10110", talks: [RMC], takes: {but: [TXT]}}')
    (finding,) = findings(tmp_path, net, of="loop")
    assert "add to inputs.net.takes.but: [RMC]" in finding.hint


def test_a_filter_of_another_link_or_talker_breaks_none(tmp_path: Path) -> None:
    other = two_way("b", more=", gives: {but: [{formatter: HDG, link: gnss}]}")
    assert loops(tmp_path, links(two_way("a"), other)) == ["loop.a.b"]
    # Sentences of the other talkers still go round.
    talker = two_way("b", more=", takes: {but: [{talker: HC, formatter: HDG}]}")
    assert loops(tmp_path, links(two_way("a"), talker)) == ["loop.a.b"]


def test_a_circle_of_three(tmp_path: Path) -> None:
    def only(name: str, link: str) -> str:
        return two_way(name, more=f", gives: {{only: [{{link: {link}}}]}}")

    three = links(only("a", "c"), only("b", "a"), only("c", "b"))
    (finding,) = findings(tmp_path, three, of="loop")
    assert finding.check == "loop.a.b.c"
    assert "a -> b -> c -> a" in finding.message
    chain = links(only("a", "gnss"), only("b", "a"), only("c", "b"))
    assert loops(tmp_path, chain) == []


def test_an_input_that_a_link_listens_to(tmp_path: Path) -> None:
    """The link's sentences go out by TCP, where the device may read them."""
    net = inputs('net: {tcp: "10.47.9.60:10110", talks: [HDG]}')
    listening = ("talks: [RMC]}", f"talks: [RMC]}}\n  {two_way('p', more=', listens_to: [net]')}")
    (finding,) = findings(tmp_path, net, listening, of="loop")
    assert finding.check == "loop.p.net"
    assert "links.p.gives: {but: [{formatter: HDG, link: net}]}" in finding.hint
    silent = ("feed: {}", "feed: {udp: null, gives: {tcp: {but: [HDG]}}}")
    assert loops(tmp_path, net, listening, silent) == []


def test_an_input_that_may_bring_back_what_goes_out(tmp_path: Path) -> None:
    net = inputs('net: {tcp: "10.47.9.60:10110", talks: [RMC, VHW]}')
    (finding,) = findings(tmp_path, net, of="loop")
    assert finding.check == "loop.net"
    assert "bring back RMC of gnss: feed -> tcp or udp -> net -> feed" in finding.message
    assert "inputs.net.takes: {but: [RMC]}" in finding.hint
    assert "put gnss before it under feed.prefer" in finding.hint
    assert finding.location.key == "inputs.net"


def test_ais_reports_have_no_order_of_preference(tmp_path: Path) -> None:
    net = inputs('net: {tcp: "10.47.9.60:10110", talks: [VDM]}')
    ais = links("ais: {adapter: {serial: A2}, baud: 38400, talks: [VDM]}")
    (finding,) = findings(tmp_path, ais, net, of="loop")
    assert "prefer" not in finding.hint and "accepted" in finding.hint


@pytest.mark.parametrize(
    ("talks", "feed"),
    [
        ("[VHW]", "{}"),
        ("[RMC, VHW], takes: {but: [RMC]}", "{}"),
        ("[RMC]", "{prefer: {position: [gnss, net]}}"),
        ("[RMC]", "{udp: null, gives: {tcp: {but: [RMC]}}}"),
        ("[RMC]", "{gives: {tcp: {but: [{link: gnss}]}, udp: {only: [VHW]}}}"),
    ],
)
def test_what_an_input_cannot_bring_back(tmp_path: Path, talks: str, feed: str) -> None:
    net = inputs(f'net: {{tcp: "10.47.9.60:10110", talks: {talks}}}')
    assert loops(tmp_path, net, ("feed: {}", f"feed: {feed}")) == []


def test_each_output_can_lead_back(tmp_path: Path) -> None:
    def outputs(source: str, feed: str) -> str:
        quiet = f"feed: {{{feed}, gives: {{tcp: {{only: [VHW]}}}}}}"
        told = findings(tmp_path, inputs(f"net: {{{source}}}"), ("feed: {}", quiet), of="loop")
        return " ".join(one.message for one in told)

    tcp, udp = 'tcp: "10.47.9.60:10110", talks: [RMC]', "udp: 10111, talks: [RMC]"
    assert "feed -> udp -> net" in outputs(tcp, "udp: 10110")
    assert "feed -> udp -> net" in outputs(udp, "udp: 10110")
    assert "feed -> 10.47.9.60:10112 -> net" in outputs(tcp, 'udp: ["10.47.9.60:10112"]')
    assert outputs(tcp, "udp: [10.47.9.61]") == ""
    assert "feed -> multicast -> net" in outputs(udp, "udp: null, multicast: true")
    assert outputs(udp, "udp: null") == ""


def test_an_input_that_says_nothing_of_itself(tmp_path: Path) -> None:
    """The input counts only where the feed surely sends to it: its address, or its UDP port."""
    assert loops(tmp_path, inputs("net: {udp: 10111}")) == []
    assert loops(tmp_path, inputs("net: {udp: 10110}")) == ["loop.net"]
    server = inputs('net: {tcp: "10.47.9.60:10110"}')
    assert loops(tmp_path, server) == []
    assert loops(tmp_path, server, ("feed: {}", "feed: {udp: [10.47.9.60]}")) == ["loop.net"]
    filtered = inputs('net: {tcp: "10.47.9.60:10110", takes: {only: [MWV]}}')
    assert loops(tmp_path, filtered, ("feed: {}", "feed: {udp: [10.47.9.60]}")) == []


def test_a_tablet_that_may_send_back_what_the_pilot_says(tmp_path: Path) -> None:
    pilot = two_way("pilot", "[APB]")
    steering = "steering: {link: pilot, from: [chart-table], sentences: [APB]}"
    (finding,) = findings(tmp_path, links(pilot), ("feed: {}", steering), of="loop")
    assert finding.check == "loop.pilot.chart-table"
    assert "feed.gives.tcp: {but: [{formatter: APB, link: pilot}]}" in finding.hint
    filtered = (
        "feed: {}",
        f"feed: {{gives: {{tcp: {{but: [{{formatter: APB, link: pilot}}]}}}}}}\n{steering}",
    )
    assert loops(tmp_path, links(pilot), filtered) == []
    # Without `steering` no tablet reaches the pilot.
    assert loops(tmp_path, links(pilot)) == []


def test_steering_goes_round_only_between_those_that_may_steer(tmp_path: Path) -> None:
    pair = links(two_way("a", "[APB]"), two_way("b", "[APB]"))
    assert loops(tmp_path, pair) == ["loop.a.b"]
    steering = ("feed: {}", "steering: {link: a, from: [chart-table], sentences: [APB]}")
    # What b passes on, the tablet may bring back.
    assert loops(tmp_path, pair, steering) == ["loop.a.chart-table", "loop.a.b.chart-table"]


def test_a_circle_that_is_accepted(tmp_path: Path) -> None:
    accepted = ("access:", "accepted: {loop.a.b: each has its own compass}\naccess:")
    assert loops(tmp_path, links(two_way("a"), two_way("b")), accepted) == []


@given(st.sets(st.sampled_from(list(permutations("abcdef", 2)))))
def test_every_device_on_a_circle_is_named(edges: set[tuple[str, str]]) -> None:
    """Compared with the transitive closure."""
    closure = set(edges)
    for middle in "abcdef":
        for one in "abcdef":
            for two in "abcdef":
                if {(one, middle), (middle, two)} <= closure:
                    closure.add((one, two))
    circles = list(find_circles("abcdef", lambda one, two: (one, two) in edges))
    assert len(circles) == len(set(circles))
    for circle in circles:
        assert circle[0] == min(circle)
        assert set(zip(circle, (*circle[1:], circle[0]), strict=True)) <= edges
    assert {one for circle in circles for one in circle} == {
        one for one in "abcdef" if (one, one) in closure
    }
