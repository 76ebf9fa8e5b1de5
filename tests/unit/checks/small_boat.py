# SPDX-License-Identifier: GPL-3.0-or-later
"""Give tests a small boat without faults, and what check finds when a line is another."""

from __future__ import annotations

from pathlib import Path

from provision import checks
from provision.checks import Finding
from provision.profile import load
from tests.support.profiles import replaced

GOOD = """\
boat: tern
board: bcm2711-rpi-4-b
card: {size: 16 GB}
network:
  wired: boat
  address: 10.47.9.1/24
  access_point: {ssid: Tern, country: GB, channel: 6}
  tablets: {chart-table: {mac: "02:00:00:12:34:56", own_pass_phrase: true}}
links:
  gnss: {adapter: {serial: A1}, talks: [RMC]}
inputs: {}
feed: {}
access:
  keys: [operator.pub]
"""


def links(*entries: str) -> tuple[str, str]:
    """Add links to the boat."""
    return "inputs: {}", "".join(f"  {entry}\n" for entry in entries) + "inputs: {}"


def inputs(entries: str) -> tuple[str, str]:
    """Add inputs to the boat."""
    return "inputs: {}", f"inputs: {{{entries}}}"


def read(folder: Path, *replacements: tuple[str, str]) -> load.Boat:
    """Read the boat with some texts replaced, each of which stands there once."""
    file = folder / "tern.yml"
    file.write_text(replaced(GOOD, *replacements))
    return load.read(file)


def findings(folder: Path, *replacements: tuple[str, str], of: str = "") -> list[Finding]:
    """Return what check finds, if its name begins with `of`."""
    found = checks.check([read(folder, *replacements)])
    assert all(finding.hint for finding in found)
    return [finding for finding in found if finding.check.startswith(of)]


def found(folder: Path, *replacements: tuple[str, str], of: str = "") -> list[tuple[str, str]]:
    """Return the levels and names of what check finds."""
    return [(one.level, one.check) for one in findings(folder, *replacements, of=of)]
