# SPDX-License-Identifier: GPL-3.0-or-later
"""Survey a boat over a connection: start the program aboard, get its plan, let it listen."""

from __future__ import annotations

import json
import time
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from provision.errors import UserError
from provision.onboard.settings.paths import Paths
from provision.survey.adapters import SYS, Adapter
from provision.survey.can import LISTEN_S
from provision.survey.findings import Findings
from provision.survey.groups import NetworkReport
from provision.survey.listening import Show
from provision.survey.remote.bundle import COMMAND, bundle
from provision.survey.remote.links import report_link
from provision.survey.remote.messages import (
    ErrorMessage,
    LinkMessage,
    NetworkMessage,
    Plan,
    PortMessage,
    ProgressMessage,
    read,
)
from provision.survey.remote.session import START_PATIENCE_S, Broken, Session, Wire
from provision.survey.report import PortReport
from provision.survey.search import LIMIT_S
from provision.survey.words import with_advice

if TYPE_CHECKING:
    import paramiko

#: Where things are aboard.
PLACES = {
    "config": "/etc/boat/feed.json",
    "sys": str(SYS),
    "trial": str(Paths(Path("/")).trial),
}

#: Seconds beyond what listening takes.
SLACK_S = 20.0


@contextmanager
def session_aboard(
    boat: str, transport: paramiko.Transport, devices: Sequence[str]
) -> Iterator[Session]:
    """Run the program aboard for the length of the block, on these ports or on all.

    UserError when the connection breaks, or what comes is not understood.
    """
    with _explained(boat):
        try:
            channel = transport.open_session(timeout=START_PATIENCE_S)
            # What python3 complains of comes in the same order, and is bounded with the rest.
            channel.set_combine_stderr(True)
            channel.settimeout(START_PATIENCE_S)
            channel.exec_command(COMMAND)
        except (EOFError, OSError, _ssh_error()) as error:
            raise Broken(f"no command can be run there: {error}") from None
        with session_over(channel, devices) as session:
            yield session


def _ssh_error() -> type[Exception]:
    # Here, so that only a survey of a boat waits for paramiko.
    from paramiko import SSHException  # noqa: PLC0415

    return SSHException


@contextmanager
def session_over(
    wire: Wire, devices: Sequence[str], places: dict[str, str] = PLACES
) -> Iterator[Session]:
    """Send the program and the request over a wire, and end the program with the block."""
    try:
        request = json.dumps({"devices": [*devices], **places}).encode()
        wire.sendall(bundle() + request + b"\n")
    except (OSError, EOFError) as error:
        wire.close()
        raise Broken(f"the connection broke: {error}") from None
    session = Session(wire)
    try:
        yield session
    finally:
        session.close()


@contextmanager
def _explained(boat: str) -> Iterator[None]:
    """Say of a broken stream whose it was."""
    try:
        yield
    except Broken as error:
        hint = "what was paused is the feed's again; survey again when the boat is in reach"
        raise UserError(f"{boat}: {error}", hint=hint) from None


def get_plan(session: Session) -> Plan:
    """Get what there is aboard. UserError when the program says why it cannot survey."""
    message = session.receive(START_PATIENCE_S)
    if message.get("kind") == "error":
        told = read(ErrorMessage, message)
        raise UserError(told.message, hint=told.hint)
    return read(Plan, message)


def links_to_pause(boat: str, plan: Plan) -> list[LinkMessage]:
    """List the links that the feed can give. UserError when it gives none now."""
    if plan.trial:
        raise UserError(
            f"settings are on trial on {boat}: a link that is silent would roll them back",
            hint="survey once the trial is over; `provision fleet` shows it",
        )
    if plan.links and not plan.can_pause:
        raise UserError(
            f"the feed of {boat} gives no port away: its settings are of an older version",
            hint="push to it first, or survey without --all: its links are reported from what its "
            "feed hears",
        )
    return [link for link in plan.links if link.state is not None and link.state.present]


def finish(session: Session, plan: Plan, pause: Collection[LinkMessage], show: Show) -> Findings:
    """Let the program listen, with these links paused one after another."""
    session.send({"pause": [link.name for link in pause]})
    adapters = {adapter.device: adapter for adapter in plan.free}
    adapters |= {link.adapter.device: link.adapter.adapter() for link in pause}
    names = {link.adapter.device: link.name for link in pause}
    ports, networks = _receive(session, plan, adapters, len(pause), show)
    left = [link for link in plan.links if link not in pause]
    reports = [replace(port, link=names.get(port.adapter.device, "")) for port in ports]
    reports += [report_link(link, plan.running) for link in left]
    return Findings(with_advice(reports, plan.known, aboard=True), networks)


def _receive(
    session: Session, plan: Plan, adapters: dict[str, Adapter], paused: int, show: Show
) -> tuple[list[PortReport], list[NetworkReport]]:
    """Take messages until the last. Broken when one is of a port that nothing was planned for."""
    seconds = LIMIT_S + LISTEN_S * len(plan.networks) + SLACK_S + paused * (LIMIT_S + SLACK_S)
    end = time.monotonic() + seconds
    ports: dict[str, PortReport] = {}
    networks: dict[str, NetworkReport] = {}
    shown = adapters | {network: Adapter(network) for network in plan.networks}
    while True:
        message = session.receive(end - time.monotonic())
        kind, device = str(message.get("kind")), str(message.get("device"))
        if kind == "end":
            return [*ports.values()], [*networks.values()]
        if kind == "progress" and device in shown:
            show(shown[device], read(ProgressMessage, message).state)
        elif kind == "port" and device in adapters:
            ports[device] = read(PortMessage, message).report(adapters[device])
        elif kind == "network" and device in plan.networks:
            networks[device] = read(NetworkMessage, message).report()
        else:
            raise Broken("it sent a message that nothing was asked for")
