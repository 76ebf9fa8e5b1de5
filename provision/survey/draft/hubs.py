# SPDX-License-Identifier: GPL-3.0-or-later
"""Guess which USB hubs a boat has from the sockets of her adapters."""

from __future__ import annotations

from collections.abc import Sequence

from provision.profile.yaml.tree import Plain
from provision.survey.adapters import Adapter
from provision.survey.words import hub_of

#: The check that finds more plugs than sockets.
ASKED_BY = "usb-ports"

#: Sockets that hubs have (common practice; a profile takes 16 at most).
HUB_PORTS = (4, 7, 10, 16)


def guess_hubs(adapters: Sequence[Adapter]) -> dict[str, Plain]:
    """Return `usb.hubs` for the hubs that adapters are plugged into, or one hub for all of them.

    A hub has as many sockets as the highest number of them asks for.

    >>> guess_hubs([Adapter("a", port=port) for port in ("1-1.2", "1-1.6", "1-2")])
    {'hub': {'ports': 7, 'own_supply': True}}
    >>> guess_hubs([Adapter("a", port=f"1-{number}") for number in range(5)])
    {'hub': {'ports': 7, 'own_supply': True}}
    """
    highest: dict[str, int] = {}
    for adapter in adapters:
        if hub := hub_of(adapter.port):
            socket = int(adapter.port.rpartition(".")[2])
            highest[hub] = max(highest.get(hub, 0), socket)
    hubs: dict[str, Plain] = {}
    for number, socket in enumerate(highest.values() or [len(adapters)], 1):
        ports = next((some for some in HUB_PORTS if some >= socket), HUB_PORTS[-1])
        hubs[f"hub-{number}" if number > 1 else "hub"] = {"ports": ports, "own_supply": True}
    return hubs
