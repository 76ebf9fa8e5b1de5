# SPDX-License-Identifier: GPL-3.0-or-later
"""Sentences that no standard has."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from provision.checks.links import formatters
from provision.onboard.feed.nmea0183 import transmission_groups
from provision.onboard.feed.nmea0183.sentence import STEERS
from provision.onboard.feed.policy import source_priority
from tests.unit.checks.pilot_boat import findings


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
