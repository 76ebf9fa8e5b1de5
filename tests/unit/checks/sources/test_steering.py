# SPDX-License-Identifier: GPL-3.0-or-later
"""`check` reports who may steer, who cannot, and what the network can deceive."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.errors import UserError
from tests.unit.checks.pilot_boat import OWN, findings, found


def test_steering_is_reported_with_cautions_until_it_is_accepted(tmp_path: Path) -> None:
    steering = ("feed: {}", "steering: {link: pilot, from: [chart-table], sentences: [APB]}")
    (finding,) = findings(tmp_path, steering, OWN)
    assert (finding.level, finding.check) == ("warning", "steering")
    assert "pilot obeys chart-table over Wi-Fi" in finding.message
    for caution in ("primary means", "lookout", "independent backup", "disengage"):
        assert caution in finding.hint
    accepted = ("access:", "accepted: {steering: the skipper has tried it}\naccess:")
    assert found(tmp_path, steering, accepted, OWN) == []


def test_a_tablet_that_any_guest_can_pass_for(tmp_path: Path) -> None:
    steering = ("feed: {}", "steering: {link: pilot, from: [chart-table], sentences: [APB]}")
    accepted = ("access:", "accepted: {steering: the skipper has tried it}\naccess:")
    (finding,) = findings(tmp_path, steering, accepted)
    assert (finding.level, finding.check) == ("warning", "steering-guest.chart-table")
    assert "any guest who knows the Wi-Fi's pass-phrase can pass for chart-table" in finding.message
    assert "own_pass_phrase: true" in finding.hint and "provision keys tern" in finding.hint
    assert finding.location.key == "steering.from[0]"
    assert found(tmp_path, steering, accepted, OWN) == []


def listening(*entries: str) -> tuple[str, str]:
    return "  pilot:", "".join(f"  {entry}\n" for entry in entries) + "  pilot:"


def test_a_pilot_that_nothing_may_steer(tmp_path: Path) -> None:
    """Without `steering` the network is refused, and no link talks what it listens for."""
    heard = ("listens: [APB]}", "listens: [APB, XTE, VHW]}")
    (finding,) = findings(tmp_path, heard, accepted=False)
    assert (finding.level, finding.check) == ("warning", "unsteered.pilot")
    assert "pilot listens for APB, XTE, and nothing may send that to it" in finding.message
    assert str(finding.location).endswith("tern.yml:9:52: links.pilot.listens")
    assert "steering: {link: pilot, from: [chart-table], sentences: [APB, XTE]}" in finding.hint


def test_a_pilot_that_a_link_steers(tmp_path: Path) -> None:
    plotter = listening("plotter: {adapter: {serial: A3}, talks: [APB]}")
    assert findings(tmp_path, plotter, accepted=False) == []
    steering = (
        "listens: [APB]}\nfeed: {}",
        "listens: [APB, RMB]}\nsteering: {link: pilot, from: [chart-table], sentences: [APB]}",
    )
    told = findings(tmp_path, steering, OWN, accepted=False)
    assert [(one.check, "RMB" in one.message) for one in told] == [
        ("steering", False),
        ("unsteered.pilot", True),
    ]
    assert "steering.sentences" in told[1].hint
    # What the pilot itself says, it is not sent.
    own = ("talks: {HDG: 10}", "talks: {APB: 1}")
    assert [one.check for one in findings(tmp_path, own, accepted=False)] == ["unsteered.pilot"]


def test_two_pilots_that_listen_for_the_same(tmp_path: Path) -> None:
    wheel = listening("wheel: {adapter: {serial: A3}, listens: [APB, HDG]}")
    told = findings(tmp_path, wheel, accepted=False)
    assert [one.check for one in told] == ["unsteered.wheel", "unsteered.pilot", "two-pilots.pilot"]
    assert "pilot and wheel both listen for APB" in told[2].message
    assert told[2].location.key == "links.pilot.listens"
    # Headings and waypoints are for displays as well.
    display = listening("display: {adapter: {serial: A3}, listens: [HDG, RMB]}")
    told = findings(tmp_path, display, ("[APB]}", "[APB, HDG, RMB]}"), accepted=False)
    assert "two-pilots" not in " ".join(one.check for one in told)


WIND = ("inputs: {}", "inputs: {wind: {udp: 10112, talks: [MWV, DPT]}, other: {udp: 10113}}")


HEARS = ("listens: [APB]", "listens: [APB, MWV], listens_to: [wind]")


def test_a_link_that_the_network_can_deceive(tmp_path: Path) -> None:
    """Any device can pass for an input, and what it talks goes to the link."""
    (finding,) = findings(tmp_path, WIND, HEARS)
    assert (finding.level, finding.check) == ("warning", "open-to-network.pilot.wind")
    assert "pilot gets its MWV" in finding.message
    assert finding.location.key == "links.pilot.listens_to[0]"


def test_a_link_that_may_not_hear_the_only_sender(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, WIND, ("listens: [APB]", "listens: [APB, MWV]"))
    assert (finding.level, finding.check) == ("warning", "unfed.pilot.wind")
    assert "listens_to: [wind]" in finding.hint
    # An instrument aboard that talks it feeds the link.
    aboard = ("  pilot:", "  vane: {adapter: {serial: A9}, talks: [MWV]}\n  pilot:")
    told = findings(tmp_path, WIND, aboard, ("listens: [APB]", "listens: [APB, MWV]"))
    assert [finding.check for finding in told] == ["no-preference.wind", "loop.wind"]


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ("wnd", "there is no input wnd"),
        ("gnss", "there is no input gnss"),
        ("other", "talks nothing"),
    ],
)
def test_inputs_that_a_link_cannot_listen_to(tmp_path: Path, source: str, says: str) -> None:
    with pytest.raises(UserError, match=says) as caught:
        findings(tmp_path, WIND, (HEARS[0], HEARS[1].replace("[wind]", f"[{source}]")))
    assert caught.value.location is not None
