# SPDX-License-Identifier: GPL-3.0-or-later
"""Reports as a survey makes them, and boats to bring them into."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from provision.profile import load
from provision.profile.yaml.tree import read_text
from provision.survey.adapters import Adapter
from provision.survey.draft.heard import Heard
from provision.survey.draft.into import Change, bring_into
from provision.survey.draft.matching import Ask
from provision.survey.likely import likely
from provision.survey.report import PortReport, Rate


def adapter(serial: str = "", port: str = "1-1.1", interface: int = 0) -> Adapter:
    """An adapter whose device is called after its socket."""
    device = f"/dev/ttyUSB{port.rpartition('.')[2]}{interface or ''}"
    return Adapter(device, serial, port, interface, "serial_driver", "1d6b", "0104")


def heard(where: Adapter, sentences: str, baud: int = 4800) -> PortReport:
    """What is heard of `sentences`, such as "GPRMC GPGSV=3 TXTXT=once"."""
    rates: dict[str, Rate | None] = {}
    for word in sentences.split():
        name, _, rate = word.partition("=")
        value = float(rate or 1) if rate != "once" else 0.0
        rates[name] = Rate(value, value, value) if value else None
    return PortReport(where, baud, sentences=rates, looks_like=likely(rates))


def silent(where: Adapter) -> PortReport:
    return PortReport(where, advice=("nothing came: is the instrument on?",))


def survey(*reports: PortReport, others: Sequence[Adapter] = (), aboard: bool = False) -> Heard:
    return Heard(reports, [*(one.adapter for one in reports), *others], aboard=aboard)


def no(_: object) -> bool:
    return False


def yes(_: object) -> bool:
    return True


def into(file: Path, found: Heard, ask: Ask = no) -> Change:
    """What becomes of a boat's file."""
    return bring_into(load.read(file), read_text(file), found, ask)
