# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the inventory that the playbook runs over: plain data, with no secret and no template.

`roles/push.yml` reads these variables and nothing else, so that plain `ansible-playbook`
runs it too. What a profile's author wrote freely, such as an SSID, is not in here but in the
job files that it names.
"""

from __future__ import annotations

import json
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from provision.push.deployment import Deployment
from provision.push.options import PushOptions, operator_name
from provision.push.query import diff
from provision.push.workspace import fits_sockets
from provision.ssh.endpoint import arguments, shared_connection
from provision.verify import runner

#: Where a boat takes settings in. It is RAM, which a power cycle clears.
INCOMING = "/run/boat"

#: The program that Ansible runs as ssh. It bounds what a boat sends.
BOUNDED_SSH = Path(__file__).parents[2] / "ssh" / "bounded_ssh.py"

#: A file beside the boats' folders. Once it exists, the playbook starts no further boat.
HALT_FILE = "halt"


def write_inventory(deployments: Sequence[Deployment], options: PushOptions) -> str:
    """Write the inventory as JSON, which Ansible's YAML inventory plugin reads."""
    group: dict[str, Any] = {
        "ansible_connection": "ansible.builtin.ssh",
        "ansible_python_interpreter": "/usr/bin/python3",
        "ansible_pipelining": True,
        "ansible_ssh_transfer_method": "piped",
        "ansible_ssh_use_tty": False,
        "ansible_ssh_executable": str(BOUNDED_SSH),
        "ansible_remote_tmp": f"{INCOMING}/ansible",
        "boat_timer": options.timer,
        "boat_owner": operator_name(),
        "boat_prove": options.prove,
        "boat_prove_unchanged": options.prove_unchanged,
        "boat_overwrite_drift": options.overwrite_drift,
        "boat_stage": options.stage,
    }
    hosts = {boat.name: _host(boat) for boat in deployments}
    return json.dumps({"boats": {"vars": group, "hosts": hosts}}, indent=1) + "\n"


def _host(boat: Deployment) -> dict[str, Any]:
    target, folder = boat.ssh_target, boat.folder
    shared = shared_connection(folder / "c") if fits_sockets(folder / "c") else {}
    return {
        "ansible_host": boat.endpoint.host,
        "ansible_port": boat.endpoint.port,
        "ansible_user": target.user,
        "ansible_ssh_common_args": shlex.join(["-F", "none", *arguments(target.options(folder))]),
        "ansible_ssh_args": shlex.join(arguments(shared)),
        "boat_board": boat.board,
        "boat_called": boat.profile_argument or boat.name,
        "boat_base": boat.base,
        "boat_sha256": boat.sha256,
        "boat_halt": str(folder.parent / HALT_FILE),
        # Two operators who push at once do not overwrite each other's archive.
        "boat_incoming": f"{INCOMING}/incoming-{boat.sha256[:12]}.tar",
        "boat_archive": str(folder / "settings.tar"),
        "boat_manifest": str(folder / "manifest.json"),
        # What the feed reported before the change; preflight writes it, and the proof reads it.
        "boat_feed_before": str(folder / "feed-before.json"),
        "boat_prover": runner.command(folder / "job.json"),
        "boat_differ": diff.command(folder / "status_query.json"),
        "boat_query": str(folder / "status_query.json"),
    }
