# SPDX-License-Identifier: GPL-3.0-or-later
"""Preferences, steering, reach on the network and the voyage log's room, checked."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import checks
from provision.checks import Finding, card, regdb
from provision.profile import load

GOOD = """\
boat: tern
board: bcm2711-rpi-4-b
network:
  address: 10.47.9.1/24
  access_point: {ssid: Tern, country: GB, channel: 6}
  tablets: {chart-table: {mac: "02:00:00:12:34:56"}}
links:
  gnss: {adapter: {serial: A1}, talks: {RMC: 1, GGA: 1}}
  pilot: {adapter: {serial: A2}, talks: {HDG: 10}, listens: [APB]}
feed: {}
inputs: {}
access:
  keys: [operator.pub]
"""

SECOND = ("  pilot:", "  second: {adapter: {serial: A3}, talks: [GGA]}\n  pilot:")
NETWORK = ("  pilot:", "  backbone: {can: can0, talks: {position: 0.2, wind: 1}}\n  pilot:")


@pytest.fixture(autouse=True)
def table(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(regdb, "installed", lambda: None)


def findings(folder: Path, *replacements: tuple[str, str]) -> list[Finding]:
    text = GOOD
    for old, new in replacements:
        assert text.count(old) == 1
        text = text.replace(old, new)
    file = folder / "tern.yml"
    file.write_text(text)
    return checks.check([load.read(file)])


def found(folder: Path, *replacements: tuple[str, str]) -> list[tuple[str, str]]:
    told = findings(folder, *replacements)
    assert all(finding.hint for finding in told)
    return [(finding.level, finding.check) for finding in told]


def prefer(order: str) -> tuple[str, str]:
    return "feed: {}", f"feed: {{prefer: {{{order}}}}}"


def test_nothing_is_found_in_the_good_boat(tmp_path: Path) -> None:
    assert found(tmp_path) == []


# --- whom to believe --------------------------------------------------------------------


def test_two_sources_want_an_order(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, SECOND)
    assert (finding.level, finding.check) == ("warning", "no-preference.position")
    assert "gnss and second all tell position" in finding.message
    assert "{position: [gnss, second]}" in finding.hint
    assert found(tmp_path, SECOND, prefer("position: [gnss, second]")) == []
    assert found(tmp_path, SECOND, prefer("position: [second]")) == []


@pytest.mark.parametrize(
    ("takes", "wanted"),
    [
        ("but: [GGA]", False),
        ("only: [GSV]", False),
        ("only: [{talker: GP}]", True),
        # Of the other talkers the sentence still comes.
        ("but: [{talker: GP, formatter: GGA}]", True),
        ("but: [{talker: GP}]", True),
        ("only: [GGA], but: [GSV]", True),
    ],
)
def test_what_is_not_taken_is_no_source(tmp_path: Path, takes: str, wanted: bool) -> None:
    second = (SECOND[0], SECOND[1].replace("[GGA]", f"[GGA], takes: {{{takes}}}"))
    expected = [("warning", "no-preference.position")] if wanted else []
    assert found(tmp_path, second) == expected


def test_kinds_of_an_nmea_2000_network_and_of_inputs_count(tmp_path: Path) -> None:
    ais = ("inputs: {}", 'inputs: {ais: {tcp: "10.47.9.60:10110", talks: [VDM, RMC]}}')
    assert found(tmp_path, NETWORK) == [("warning", "no-preference.position")]
    assert found(tmp_path, ais) == [("warning", "no-preference.position")]
    order = prefer("position: [gnss, backbone], silence: 20 s")
    assert found(tmp_path, NETWORK, order) == []
    only = (NETWORK[0], NETWORK[1].replace("wind: 1}", "wind: 1}, takes: {only: [MWV]}"))
    assert found(tmp_path, only) == []


def test_a_source_that_tells_nothing_of_it(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, SECOND, prefer("position: [gnss, pilot]"))
    assert (finding.level, finding.check) == ("error", "prefer.position.pilot")
    assert str(finding.place).endswith("tern.yml:11:34: feed.prefer.position[1]")
    assert "RMC" in finding.hint


def test_an_order_of_one_alone(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, prefer("position: [gnss]"))
    assert (finding.level, finding.check) == ("warning", "prefer-alone.position")
    # What an input sends that says nothing of itself cannot be known.
    anything = ("inputs: {}", "inputs: {guests: {udp: 10111}}")
    assert found(tmp_path, anything, prefer("position: [gnss]")) == []
    assert found(tmp_path, anything, prefer("position: [gnss, guests]")) == []


@pytest.mark.parametrize(("silence", "wanted"), [("9 s", True), ("10 s", False)])
def test_a_silence_shorter_than_two_sentences(tmp_path: Path, silence: str, wanted: bool) -> None:
    """Once in 5 s; the others come once a second."""
    order = prefer(f"position: [gnss, backbone], silence: {silence}")
    expected = [("warning", "prefer-silence.position.backbone")] if wanted else []
    assert found(tmp_path, NETWORK, order) == expected


# --- steering ---------------------------------------------------------------------------


def test_steering_is_told_with_the_cautions_until_it_is_accepted(tmp_path: Path) -> None:
    steering = ("feed: {}", "steering: {link: pilot, from: [chart-table], sentences: [APB]}")
    (finding,) = findings(tmp_path, steering)
    assert (finding.level, finding.check) == ("warning", "steering")
    assert "pilot obeys chart-table over Wi-Fi" in finding.message
    for caution in ("primary means", "lookout", "independent backup", "disengage"):
        assert caution in finding.hint
    accepted = ("access:", "accepted: {steering: the skipper has tried it}\naccess:")
    assert found(tmp_path, steering, accepted) == []


# --- the network ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("address", "wired", "expected"),
    [
        ("10.47.9.60", "boat", []),
        ("10.47.9.204", "boat", []),  # chart-table's
        ("10.47.9.150", "boat", [("warning", "")]),
        ("10.47.9.1", "boat", [("error", "")]),
        ("10.47.9.0", "boat", [("error", "")]),
        ("10.47.9.255", "shore", [("error", "")]),
        ("192.0.2.7", "boat", [("error", "")]),
        ("192.0.2.7", "shore", []),
    ],
)
def test_hosts_that_can_be_reached(
    tmp_path: Path, address: str, wired: str, expected: list[tuple[str, str]]
) -> None:
    port = ("  tablets:", f"  wired: {wired}\n  tablets:")
    source = ("inputs: {}", f'inputs: {{ais: {{tcp: "{address}:10110"}}}}')
    assert found(tmp_path, port, source) == [(level, "input-host.ais") for level, _ in expected]
    outputs = ("feed: {}", f"feed: {{udp: [10.47.9.61, {address}]}}")
    told = findings(tmp_path, port, outputs)
    assert [(f.level, f.check) for f in told] == [
        (level, f"udp-host.{address}") for level, _ in expected
    ]
    assert all(finding.place.key == "feed.udp[1]" for finding in told)


def test_ports_for_programs_with_privileges(tmp_path: Path) -> None:
    inputs = ("inputs: {}", "inputs: {one: {udp: 1023}, two: {listen: 1024}}")
    assert found(tmp_path, inputs, ("feed: {}", "feed: {tcp: 80}")) == [
        ("error", "port.80"),
        ("error", "port.1023"),
    ]


def test_multicast_wants_the_wired_port(tmp_path: Path) -> None:
    multicast = ("feed: {}", "feed: {multicast: true}")
    assert found(tmp_path, multicast) == []
    assert found(tmp_path, multicast, ("  tablets:", "  wired: shore\n  tablets:")) == [
        ("error", "multicast")
    ]


# --- the voyage log ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cap", "expected"),
    [("13.8 GB", []), ("13.9 GB", [("error", "log-cap")]), ("16 GB", [("error", "log-cap")])],
)
def test_the_log_fits_on_the_card(
    tmp_path: Path, cap: str, expected: list[tuple[str, str]]
) -> None:
    """16 GB, less 1284 MiB before data, less a twentieth for the file system, less 64 MiB."""
    assert card.room(16 * 10**9) == int((16 * 10**9 - 1284 * 2**20) * 0.95) - 64 * 2**20
    assert found(tmp_path, ("access:", f"log: {{cap: {cap}}}\naccess:")) == expected
