# SPDX-License-Identifier: GPL-3.0-or-later
"""Give tests a boat with a receiver and a pilot, and what check finds when a line is another."""

from __future__ import annotations

from pathlib import Path

from provision import checks
from provision.checks import Finding
from provision.profile import load
from tests.support.profiles import replaced

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


def findings(folder: Path, *replacements: tuple[str, str], accepted: bool = True) -> list[Finding]:
    """Return what check finds. `accepted` leaves out that nothing steers the good boat's pilot."""
    file = folder / "tern.yml"
    file.write_text(replaced(GOOD, *replacements))
    told = checks.check([load.read(file)])
    return [one for one in told if not (accepted and one.check == "unsteered.pilot")]


def found(folder: Path, *replacements: tuple[str, str]) -> list[tuple[str, str]]:
    told = findings(folder, *replacements)
    assert all(finding.hint for finding in told)
    return [(finding.level, finding.check) for finding in told]


def prefer(order: str) -> tuple[str, str]:
    return "feed: {}", f"feed: {{prefer: {{{order}}}}}"
