# SPDX-License-Identifier: GPL-3.0-or-later
"""Listen on ports and networks side by side, and hold what was found on all of them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import Any

from provision.survey.adapters import SYS, Adapter, choose, find_adapters
from provision.survey.can import find_networks, survey_networks
from provision.survey.groups import NetworkReport
from provision.survey.listening import Show, survey
from provision.survey.report import PortReport
from provision.survey.search import LIMIT_S


@dataclass(frozen=True)
class Findings:
    """Hold what a survey found."""

    ports: Sequence[PortReport]
    networks: Sequence[NetworkReport]

    def as_json(self) -> dict[str, Any]:
        """Return the findings as plain data, for `--json`."""
        return {
            "ports": [port.as_json() for port in self.ports],
            "networks": [network.as_json() for network in self.networks],
        }

    @property
    def failed(self) -> bool:
        """Report whether something could not be listened to."""
        errors = [port.error for port in self.ports] + [net.error for net in self.networks]
        return any(errors)


def choose_here(devices: Sequence[str], sys: Path = SYS) -> tuple[list[Adapter], list[str]]:
    """Describe the ports among `devices`, and name the CAN interfaces. Without any, take all.

    Raise UserError when a port is named that is not there, or when there is nothing at all.
    """
    networks = find_networks(sys)
    ports = [device for device in devices if device not in networks]
    if devices:
        return (choose(ports, sys) if ports else []), [net for net in networks if net in devices]
    return (find_adapters(sys) if networks else choose([], sys)), networks


def hear(
    adapters: Sequence[Adapter],
    networks: Mapping[str, Collection[str]],
    show: Show,
    stop: Event,
    limit: float = LIMIT_S,
) -> Findings:
    """Listen on all of them, each in its own thread. `networks` is as in `survey_networks`.

    `limit` is in seconds a port. `stop` ends it early, and is set when this is interrupted.
    """
    heard: list[NetworkReport] = []

    def told(network: NetworkReport) -> None:
        heard.append(network)
        show(Adapter(network.device), network.summary)

    with ThreadPoolExecutor(1) as pool:
        try:
            listening = pool.submit(survey_networks, networks, told, stop)
            ports = survey(adapters, show, stop, limit) if adapters else []
            listening.result()
        except BaseException:
            stop.set()
            raise
    return Findings(ports, heard)
