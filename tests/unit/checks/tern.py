# SPDX-License-Identifier: GPL-3.0-or-later
"""Give tests the boat tern, other boats like it, and what check finds about them."""

from __future__ import annotations

from pathlib import Path

from provision import checks
from provision.profile import load
from tests.support.profiles import replaced

GOOD = """\
boat: tern
board: bcm2711-rpi-4-b
network:
  address: 10.47.9.1/24
  access_point: {ssid: Tern, country: GB, channel: 6}
links:
  gnss: {adapter: {serial: TN-GNSS-01}, baud: 4800, talks: [RMC, GGA]}
access:
  keys: [operator.pub]
"""


def boat(folder: Path, *replacements: tuple[str, str], name: str = "tern") -> load.Boat:
    file = folder / f"{name}.yml"
    file.write_text(replaced(GOOD, *replacements))
    return load.read(file)


def found(*boats: load.Boat) -> list[tuple[str, str]]:
    told = checks.check(boats)
    assert all(finding.hint for finding in told)
    return [(finding.level, finding.check) for finding in told]


def links(*entries: str) -> tuple[str, str]:
    return "talks: [RMC, GGA]}\n", "talks: [RMC, GGA]}\n" + "".join(f"  {e}\n" for e in entries)


def adapters(number: int) -> list[str]:
    """Links on `number` further adapters."""
    return [f"l{i}: {{adapter: {{serial: S{i}}}, talks: [RSA]}}" for i in range(number)]
