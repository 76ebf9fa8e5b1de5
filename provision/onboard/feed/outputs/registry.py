# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the outputs onto the boat's network from their configuration.

A further output is a field of `OutputsOptions` with its dataclass, a class, and its line here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from provision.onboard.feed.config.models import InputOptions, OutputsOptions
from provision.onboard.feed.net.own_sockets import OwnPorts
from provision.onboard.feed.outputs.multicast import MulticastOutput
from provision.onboard.feed.outputs.output import Output
from provision.onboard.feed.outputs.tcp_server import TcpServer
from provision.onboard.feed.outputs.udp import UdpOutput
from provision.onboard.feed.policy.steering_gate import SteeringGate
from provision.onboard.feed.policy.tablet_proof import TabletProof
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.router import Router


@dataclass(frozen=True)
class OutputContext:
    """Holds what outputs need of the rest of the feed."""

    router: Router
    gate: SteeringGate
    proof: TabletProof
    fault_log: FaultLog
    own: OwnPorts
    inputs: tuple[InputOptions, ...]

    def inputs_of(self, port: int | None) -> frozenset[str]:
        """Return the inputs that hear datagrams to a UDP port, or to a multicast group."""
        return frozenset(
            source.name
            for source in self.inputs
            if (source.udp == port if port is not None else source.multicast)
        )


#: Makes an output of its configuration, by the field of `OutputsOptions`.
MAKERS: dict[str, Callable[[Any, OutputContext], Output]] = {
    "tcp": lambda tcp, its: TcpServer(tcp, its.router, its.gate, its.proof, its.fault_log),
    "udp": lambda udp, its: UdpOutput(udp, its.fault_log, its.own, its.inputs_of(udp.port)),
    "multicast": lambda multicast, its: MulticastOutput(
        multicast, its.fault_log, its.own, its.inputs_of(None)
    ),
}


class NetworkOutputs:
    """Holds the outputs by the field of their configuration."""

    def __init__(self, config: OutputsOptions, context: OutputContext) -> None:
        """Open them. OSError when a port is taken."""
        self.by_kind: dict[str, tuple[Output, ...]] = {}
        self._several: set[str] = set()
        for kind, make in MAKERS.items():
            wanted = getattr(config, kind)
            if isinstance(wanted, tuple):
                self._several.add(kind)
            else:
                wanted = () if wanted is None else (wanted,)
            self.by_kind[kind] = tuple(make(options, context) for options in wanted)

    def all(self) -> list[Output]:
        return [output for outputs in self.by_kind.values() for output in outputs]

    def as_json(self) -> dict[str, Any]:
        """Return each output's counters: a list where there may be several, else one or None."""
        state: dict[str, Any] = {}
        for kind, outputs in self.by_kind.items():
            listed = [output.as_json() for output in outputs]
            state[kind] = listed if kind in self._several else next(iter(listed), None)
        return state
