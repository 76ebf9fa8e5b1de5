# SPDX-License-Identifier: GPL-3.0-or-later
"""Preferences, steering, reach on the network and the voyage log's room, checked."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from provision import checks
from provision.card.layout.partitions import Layout
from provision.checks import Finding
from provision.checks.links import formatters
from provision.checks.network import regdb
from provision.checks.storage import card
from provision.errors import UserError
from provision.onboard.feed.nmea0183 import transmission_groups
from provision.onboard.feed.nmea0183.sentence import STEERS
from provision.onboard.feed.policy import source_priority
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

OWN = ('"02:00:00:12:34:56"', '"02:00:00:12:34:56", own_pass_phrase: true')
SECOND = ("  pilot:", "  second: {adapter: {serial: A3}, talks: [GGA]}\n  pilot:")
NETWORK = ("  pilot:", "  backbone: {can: can0, talks: {position: 0.2, wind: 1}}\n  pilot:")


@pytest.fixture(autouse=True)
def table(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(regdb, "read_installed", lambda: None)


def findings(folder: Path, *replacements: tuple[str, str], accepted: bool = True) -> list[Finding]:
    """What check finds; `accepted` leaves out that nothing steers the good boat's pilot."""
    text = GOOD
    for old, new in replacements:
        assert text.count(old) == 1
        text = text.replace(old, new)
    file = folder / "tern.yml"
    file.write_text(text)
    told = checks.check([load.read(file)])
    return [one for one in told if not (accepted and one.check == "unsteered.pilot")]


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
    assert found(tmp_path, ais) == [
        ("warning", "no-preference.position"),
        ("warning", "loop.ais"),
    ]
    order = prefer("position: [gnss, backbone], silence: 20 s")
    assert found(tmp_path, NETWORK, order) == []
    only = (NETWORK[0], NETWORK[1].replace("wind: 1}", "wind: 1}, takes: {only: [MWV]}"))
    assert found(tmp_path, only) == []


def test_a_source_without_that_kind_of_data(tmp_path: Path) -> None:
    (finding,) = findings(tmp_path, SECOND, prefer("position: [gnss, pilot]"))
    assert (finding.level, finding.check) == ("error", "prefer.position.pilot")
    assert str(finding.location).endswith("tern.yml:11:34: feed.prefer.position[1]")
    assert "RMC" in finding.hint


@pytest.mark.parametrize(
    ("kind", "goes_with", "tells"),
    [
        ("heading", "ROT", "THS"),
        ("speed", "VLW", "VHW"),
        ("position", "VTG", "GLL"),
        ("position", "GSV", "GNS"),
    ],
)
def test_accompanying_sentences_do_not_count_for_a_kind(
    tmp_path: Path, kind: str, goes_with: str, tells: str
) -> None:
    """A rate of turn is no heading: the feed never believes its source for one."""
    links = "  {}: {{adapter: {{serial: {}}}, talks: {{{}: {}}}}}\n"
    first, second = links.format("a", "A3", tells, 1), links.format("b", "A4", goes_with, 1)
    both = ("  gnss: {adapter: {serial: A1}, talks: {RMC: 1, GGA: 1}}\n", first + second)
    quiet, chip = ("{HDG: 10}", "{MTW: 1}"), ("bcm2711-rpi-4-b", "x86-64")
    assert found(tmp_path, both, quiet, chip) == []
    finding, alone = findings(tmp_path, both, quiet, chip, prefer(f"{kind}: [a, b]"))
    assert alone.check == f"prefer-alone.{kind}"
    assert (finding.level, finding.check) == ("error", f"prefer.{kind}.b")
    assert goes_with not in finding.hint and tells in finding.hint


def test_silence_counts_decisive_sentences_only(tmp_path: Path) -> None:
    """A rate of turn ten times a second does not make a heading every 10 s often."""
    slow = ("{HDG: 10}", "{HDG: 0.1, ROT: 10}")
    second = ("  pilot:", "  gyro: {adapter: {serial: A3}, talks: {HDT: 1}}\n  pilot:")
    order = prefer("heading: [pilot, gyro], silence: 5 s")
    assert found(tmp_path, slow, second, order) == [("warning", "prefer-silence.heading.pilot")]


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
    assert all(finding.location.key == "feed.udp[1]" for finding in told)


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


#: 16 GB, less what is before data, less a twentieth for the file system, less 64 MiB.
LOG_BYTES = int((16 * 10**9 - Layout("gpt", "any").data.offset) * 0.95) - 64 * 2**20


@pytest.mark.parametrize(
    ("cap", "expected"),
    [
        (f"{LOG_BYTES // 10**8 / 10} GB", []),
        (f"{LOG_BYTES // 10**8 / 10 + 0.1:.1f} GB", [("error", "log-cap")]),
        ("16 GB", [("error", "log-cap")]),
    ],
)
def test_the_log_fits_on_the_card(
    tmp_path: Path, cap: str, expected: list[tuple[str, str]]
) -> None:
    assert card.max_log_bytes(16 * 10**9) == LOG_BYTES
    assert found(tmp_path, ("access:", f"log: {{cap: {cap}}}\naccess:")) == expected


# --- silent mistakes --------------------------------------------------------------------


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


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("talks: {RMC: 1, GGA: 1}", "talks: {RMC: 1, RCM: 1}", "links.gnss.talks.RCM"),
        ("talks: {RMC: 1, GGA: 1}", "talks: [RMC, RCM]", "links.gnss.talks[1]"),
        ("listens: [APB]", "listens: [APB, RCM]", "links.pilot.listens[1]"),
        ("GGA: 1}}", "GGA: 1}, takes: {but: [RCM]}}", "links.gnss.takes.but[0]"),
        (
            "listens: [APB]}",
            "listens: [APB], gives: {but: [GSV, {formatter: RCM}]}}",
            "links.pilot.gives.but[1]",
        ),
        ("feed: {}", "feed: {gives: {tcp: {only: [RCM]}}}", "feed.gives.tcp.only[0]"),
        ("inputs: {}", "inputs: {mast: {udp: 2000, talks: [RCM]}}", "inputs.mast.talks[0]"),
        (
            "inputs: {}",
            "inputs: {mast: {udp: 2000, takes: {only: [RCM]}}}",
            "inputs.mast.takes.only[0]",
        ),
    ],
)
def test_a_sentence_that_no_standard_has(tmp_path: Path, old: str, new: str, key: str) -> None:
    (finding,) = findings(tmp_path, (old, new))
    assert (finding.level, finding.check) == ("warning", "unknown-sentence.RCM")
    assert finding.location.key == key
    assert "did you mean RMC?" in finding.hint
    assert "PXYZ1" in finding.hint


def test_a_sentence_that_is_near_none_and_a_makers_own(tmp_path: Path) -> None:
    odd = ("talks: {HDG: 10}", "talks: {FOO: 1, PXYZ1: 1}")
    (finding,) = findings(tmp_path, odd)
    assert finding.check == "unknown-sentence.FOO"
    assert "did you mean" not in finding.hint
    accepted = ("access:", "accepted: {unknown-sentence.FOO: in its manual}\naccess:")
    assert findings(tmp_path, odd, accepted, accepted=False)[0].check == "unsteered.pilot"


def test_the_sentences_that_reference_libraries_know() -> None:
    """pynmea2's types, less one maker's own and the waypoints that R00 numbers; pyais's two."""
    pynmea2 = pytest.importorskip("pynmea2")
    known = set(pynmea2.TalkerSentence.sentence_types) - {"ALK", "R00"}
    assert len(known) > 50
    assert known | {"VDM", "VDO"} <= formatters.KNOWN_FORMATTERS
    ours = {*transmission_groups._GROUP_OF, *source_priority.KIND_OF, *STEERS}
    assert ours <= formatters.KNOWN_FORMATTERS
    assert all(re.fullmatch("[A-Z0-9]{3}", name) for name in formatters.KNOWN_FORMATTERS)


@pytest.mark.parametrize(
    ("address", "wired", "expected"),
    [
        ("192.168.1.1/24", "shore", True),
        ("192.168.1.1/24", "boat", False),
        ("192.168.0.1/16", "shore", True),
        ("10.47.9.1/24", "shore", False),
        ("192.168.77.1/24", "shore", False),
    ],
)
def test_a_network_that_the_shore_has_too(
    tmp_path: Path, address: str, wired: str, expected: bool
) -> None:
    own = ("  address: 10.47.9.1/24\n", f"  address: {address}\n  wired: {wired}\n")
    told = findings(tmp_path, own)
    assert [one.check for one in told] == ["shore-network"] * expected
    assert all("10.47.1.1/24" in one.hint and one.level == "warning" for one in told)


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
