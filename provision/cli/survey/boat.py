# SPDX-License-Identifier: GPL-3.0-or-later
"""Survey a running boat over SSH, for the command survey."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from provision.cli.boats.asked import endpoints_at
from provision.cli.opening import open_boat
from provision.cli.terminal.confirm import confirm_boat
from provision.errors import UserError
from provision.harmless import harmless

if TYPE_CHECKING:
    from provision.ssh.endpoint import SshTarget
    from provision.survey.draft.heard import Heard
    from provision.survey.findings import Findings
    from provision.survey.remote.messages import LinkMessage, Plan


@dataclass(frozen=True)
class Asked:
    """Hold the options of the command that concern a running boat."""

    boats: Path
    password: Path | None
    at: Sequence[str]
    former_key: bool
    everything: bool
    """Links of the feed are paused, one after another."""
    yes: bool


def survey_boat(name: str, devices: Sequence[str], asked: Asked) -> tuple[Findings, Heard]:
    """Listen on a boat's ports and networks, all or those named.

    A profile is corrected by what the survey itself has heard, which comes second: what the feed
    tells of its links, at the baud rates of their profile, is not among that.
    """
    # Here, so that no other command waits for it.
    from provision.progress import console
    from provision.ssh.client import connect
    from provision.survey.adapters import Adapter
    from provision.survey.console import progress
    from provision.survey.draft.heard import Heard
    from provision.survey.remote.boat import finish, get_plan, session_aboard

    target = _target(name, asked)
    with connect(target) as transport, session_aboard(target.boat, transport, devices) as session:
        plan = get_plan(session)
        if not (plan.adapters or plan.links or plan.networks):
            raise UserError(
                f"no adapter is plugged into {target.boat}, and it has no CAN interface",
                hint="plug one in, and see that its plug sits well",
            )
        pause = _links_to_pause(target.boat, plan, asked) if asked.everything else []
        paused = [link.adapter.adapter() for link in pause]
        with progress([*plan.free, *map(Adapter, plan.networks), *paused], console) as listener:
            found = finish(session, plan, pause, listener)
    listened = [port for port in found.ports if not port.feed]
    return found, Heard(listened, plan.known, aboard=True, networks=found.networks)


def _target(name: str, asked: Asked) -> SshTarget:
    from provision.push.plan import resolve_targets

    boat = open_boat(name, asked.boats, asked.password)
    at = endpoints_at(asked.at, [boat])
    (target,) = resolve_targets([boat], at, former=asked.former_key)
    return target


def _links_to_pause(boat: str, plan: Plan, asked: Asked) -> list[LinkMessage]:
    """Return the links to pause. Ask first where a pilot would miss them."""
    from provision.survey.remote.boat import links_to_pause

    pause = links_to_pause(boat, plan)
    if lost := [link.pilot for link in pause if link.pilot]:
        caution = (
            f"Each link of {boat} is paused for up to 30 s, one after another. Meanwhile "
            f"{'; '.join(lost)}. Steer by hand until the survey is over."
        )
        if asked.yes:
            print(f"provision: caution: {harmless(caution)}", file=sys.stderr)
        else:
            confirm_boat(boat, caution, "nothing was paused")
    return pause
