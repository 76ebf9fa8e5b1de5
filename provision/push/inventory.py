# SPDX-License-Identifier: GPL-3.0-or-later
"""The inventory that the playbook runs over: plain data, with no secret and no template.

`roles/push.yml` reads these variables and nothing else, so that plain `ansible-playbook`
runs it too. What a profile's author wrote freely, such as an SSID, is not in here but in the
job files that it names.
"""

from __future__ import annotations

import json
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from provision.push import diff, poll
from provision.push.options import PushOptions, operator
from provision.push.workspace import fits
from provision.ssh.endpoint import Reach, arguments, shared_connection
from provision.verify import runner

#: Where a boat takes settings in; RAM, gone with a power cycle.
INCOMING = "/run/boat"

#: What Ansible runs as ssh: it bounds what a boat sends.
BOUNDED_SSH = Path(__file__).parents[1] / "ssh" / "bounded_ssh.py"

#: A file beside the boats' folders; once it is there, no further boat is begun with.
HALT = "halt"


@dataclass(frozen=True)
class Wanted:
    """What the boat is to have, as files on this machine.

    `folder` holds all of them: `settings.tar` (mode 0600), `manifest.json`, what the suite is
    told (`job.json`, a `provision.verify.job.Job`), whom to ask for the last word
    (`asking.json`, a `provision.push.poll.Asking`), and `known_hosts`.
    """

    reach: Reach
    board: str
    base: int
    sha256: str
    folder: Path
    called: str = ""
    """How a command names the boat; without it by its name alone."""


def inventory(wanted: Sequence[Wanted], options: PushOptions) -> str:
    """The inventory as JSON, which Ansible's YAML inventory plugin reads."""
    group: dict[str, Any] = {
        "ansible_connection": "ansible.builtin.ssh",
        "ansible_python_interpreter": "/usr/bin/python3",
        "ansible_pipelining": True,
        "ansible_ssh_transfer_method": "piped",
        "ansible_ssh_use_tty": False,
        "ansible_ssh_executable": str(BOUNDED_SSH),
        "ansible_remote_tmp": f"{INCOMING}/ansible",
        "boat_timer": options.timer,
        "boat_owner": operator(),
        "boat_prove": options.prove,
        "boat_prove_unchanged": options.prove_unchanged,
        "boat_overwrite_drift": options.overwrite_drift,
        "boat_stage": options.stage,
    }
    hosts = {boat.reach.boat: _host(boat) for boat in wanted}
    return json.dumps({"boats": {"vars": group, "hosts": hosts}}, indent=1) + "\n"


def _host(boat: Wanted) -> dict[str, Any]:
    reach, folder = boat.reach, boat.folder
    shared = shared_connection(folder / "c") if fits(folder / "c") else {}
    return {
        "ansible_host": reach.places[0].host,
        "ansible_port": reach.places[0].port,
        "ansible_user": reach.user,
        "ansible_ssh_common_args": shlex.join(["-F", "none", *arguments(reach.options(folder))]),
        "ansible_ssh_args": shlex.join(arguments(shared)),
        "boat_board": boat.board,
        "boat_called": boat.called or reach.boat,
        "boat_base": boat.base,
        "boat_sha256": boat.sha256,
        "boat_halt": str(folder.parent / HALT),
        # Two operators at once do not overwrite each other's.
        "boat_incoming": f"{INCOMING}/incoming-{boat.sha256[:12]}.tar",
        "boat_archive": str(folder / "settings.tar"),
        "boat_manifest": str(folder / "manifest.json"),
        "boat_prover": runner.command(folder / "job.json"),
        "boat_differ": diff.command(folder / "asking.json"),
        "boat_listener": poll.command(folder / "asking.json"),
    }
