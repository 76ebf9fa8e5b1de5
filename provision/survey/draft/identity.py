# SPDX-License-Identifier: GPL-3.0-or-later
"""Name an adapter as a profile does: by its serial number, or by its socket."""

from __future__ import annotations

from collections.abc import Sequence

from provision.profile.schema.links import AdapterConfig
from provision.profile.yaml.tree import Plain
from provision.survey.adapters import Adapter
from provision.survey.words import is_nameable, is_one_of_several, twins


def identify(adapter: Adapter, known: Sequence[Adapter]) -> dict[str, Plain]:
    """Return what a link's `adapter` says. Empty for a port that is no USB adapter's.

    `known` are all adapters that are plugged in: a serial number has to tell them apart.
    """
    if not adapter.port:
        return {}
    found: dict[str, Plain] = {"port": adapter.port}
    if is_nameable(adapter.serial) and not twins(adapter, known):
        found = {"serial": adapter.serial}
    if is_one_of_several(adapter, known):
        found["interface"] = adapter.interface
    return found


def is_named_by(adapter: Adapter, config: AdapterConfig) -> bool:
    """Report whether a link's `adapter` means this one."""
    if config.interface is not None and config.interface != (adapter.interface or 0):
        return False
    if config.serial is not None:
        return config.serial == adapter.serial
    return config.port == adapter.port
