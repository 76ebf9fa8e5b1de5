# SPDX-License-Identifier: GPL-3.0-or-later
"""Make a spare of the running boat's card, step by step, its partition table last.

A spare that was not finished has no partition table: no computer starts from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.live.system import System
from provision.onboard.settings.paths import Paths
from provision.onboard.settings.spare import copy, data
from provision.onboard.settings.spare.own_card import OwnCard, read_own_card
from provision.onboard.settings.spare.table import Plan, plan
from provision.onboard.settings.spare.target import Devices, check_target
from provision.onboard.settings.store.state import is_intact, load_trial, read_pointer


@dataclass(frozen=True)
class Spare:
    """Hold what is wanted. With `erase`, what the device holds is lost."""

    device: Path
    erase: bool = False


def make_spare(
    aboard: Paths, system: System, wanted: Spare, devices: Devices | None = None
) -> dict[str, object]:
    """Copy the running boat onto a device. Return what was written, as plain data.

    Raise SettingsError if the device must not be written or does not hold what was written, or if
    the boat has no kept settings that are whole. The own card is only read.
    """
    devices = devices or Devices()
    kept = _kept(aboard)
    own = devices.whole(devices.under(str(aboard.data)))
    name = check_target(system, devices, wanted.device, own, erase=wanted.erase)
    card = read_own_card(system, devices.dev / own, (aboard.root / "proc/cmdline").read_text())
    divided = plan(card, devices.size(name), data.needed_bytes(aboard.data))
    length = copy.base_length(card.device, card.base)
    target = devices.dev / name
    system.run("wipefs", "--all", "--quiet", str(target))
    _zero(target, card.boot.offset)
    _copy(card, target, divided, length)
    data.make_data(system, aboard.data, target, divided)
    data.check_data(system, target, divided, kept)
    system.feed(divided.script, "sfdisk", "--quiet", "--wipe=never", str(target))
    return {
        "device": str(wanted.device),
        "kept": kept,
        "boot": card.boot.size,
        "base": length,
        "data": divided.data_size,
    }


def _kept(aboard: Paths) -> str:
    if load_trial(aboard) is not None:
        raise SettingsError("trial", "settings are on trial", hint="wait until they are kept")
    kept = read_pointer(aboard.store / "kept")
    if kept is None or not is_intact(aboard, kept):
        message = "the kept settings are damaged: a spare would be, too"
        raise SettingsError("kept", message, hint="push the boat's settings first")
    return kept


def _zero(target: Path, length: int) -> None:
    """Clear what stands before the first partition: an image's record would be another card's."""
    copy.write(target, 0, iter([bytes(length)]))


def _copy(card: OwnCard, target: Path, divided: Plan, base_length: int) -> None:
    boot = copy.pieces(card.device, card.boot.offset, card.boot.size, divided.renamed)
    written = [(card.boot.offset, *copy.write(target, card.boot.offset, boot))]
    base = copy.pieces(card.device, card.base.offset, base_length)
    written.append((card.base.offset, *copy.write(target, card.base.offset, base)))
    for offset, length, digest in written:
        copy.check(target, offset, length, digest)
