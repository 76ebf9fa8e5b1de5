# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the files that a push of boats works from: archives, jobs, keys and queries."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from provision.paths import argument
from provision.profile.access_keys import read_access_keys
from provision.profile.secrets.stolen import is_revoked
from provision.profile.secrets.stolen import read_record as recall_stolen
from provision.profile.secrets.store import host_public_key
from provision.push.deployment import Deployment
from provision.push.query.poll import StatusQuery
from provision.push.records.known_boats import recall
from provision.push.workspace import fits_sockets, write_private
from provision.render import OpenBoat, Settings
from provision.ssh.discover import put_answering_first
from provision.ssh.endpoint import (
    Endpoint,
    SshTarget,
    arguments,
    config_file,
    known_host,
    require_ssh,
    shared_connection,
)
from provision.verify.job import Job


def ssh_target_of(
    open_boat: OpenBoat, at: Mapping[str, Endpoint], *, former: bool = False
) -> SshTarget:
    """Say how to reach the boat: at its endpoint in `at`, or at its own and its last address.

    New settings may move the boat to its own address from the address where it answered before.
    Host keys from before a rotation are accepted until the boat was seen on the new key. After
    that they are accepted only when `former` is set: the boat may have fallen back to older
    settings, or a stranger has that key.
    """
    own = Endpoint(str(open_boat.boat.profile.network.address.ip))
    known = recall(open_boat.boat.file)
    last = known.endpoint if known else own
    endpoints = (at[open_boat.name], own) if open_boat.name in at else (own, last)
    identity = open_boat.boat.file.parent / "operator"
    key, stolen = host_public_key(open_boat.secrets), recall_stolen(open_boat.boat.file)
    former_keys = open_boat.secrets.former_host_keys
    earlier = tuple(former_key for former_key in former_keys if not is_revoked(stolen, former_key))
    rotated = known is not None and known.host_key == key and not former
    return SshTarget(
        boat=open_boat.name,
        endpoints=tuple(dict.fromkeys(endpoints)),
        host_key=key,
        identity=identity.resolve() if identity.is_file() else None,
        former_keys=() if rotated else earlier,
        dropped_keys=earlier if rotated else (),
        stolen_keys=stolen.host_keys if stolen else (),
        unseen=known is None and open_boat.name not in at,
    )


def resolve_targets(
    boats: Sequence[OpenBoat], at: Mapping[str, Endpoint], *, former: bool = False
) -> list[SshTarget]:
    """Say how to reach each boat. Of several endpoints, the one that answers now comes first.

    Raise UserError when this computer cannot connect to any boat.
    """
    require_ssh()
    known = [ssh_target_of(open_boat, at, former=former) for open_boat in boats]
    with ThreadPoolExecutor(max(len(known), 1)) as pool:
        return list(
            pool.map(
                lambda ssh_target: ssh_target if ssh_target.boat in at else _resolve(ssh_target),
                known,
            )
        )


def _resolve(ssh_target: SshTarget) -> SshTarget:
    return put_answering_first(ssh_target) if len(ssh_target.endpoints) > 1 else ssh_target


def prepare(
    boats: Sequence[OpenBoat],
    folder: Path,
    at: Mapping[str, Endpoint],
    *,
    former: bool = False,
) -> list[Deployment]:
    """Render every boat, and write the files of its push below `folder`.

    `folder` is private (mode 0700), and so are the files.
    """
    return [
        _prepare(open_boat, folder / open_boat.name, ssh_target)
        for open_boat, ssh_target in zip(
            boats, resolve_targets(boats, at, former=former), strict=True
        )
    ]


def _prepare(open_boat: OpenBoat, folder: Path, ssh_target: SshTarget) -> Deployment:
    settings = open_boat.render()
    folder.mkdir(mode=0o700)
    for connections in ("c", "p"):
        (folder / connections).mkdir(mode=0o700)
    if ssh_target.identity:
        (folder / "operator").symlink_to(ssh_target.identity)
    options = ssh_target.options(folder)
    # The suite opens connections of its own, which proves that the boat takes new ones.
    suite_options = options | (
        shared_connection(folder / "p") if fits_sockets(folder / "p") else {}
    )
    query = StatusQuery(
        boat=open_boat.name,
        user=ssh_target.user,
        sha256=settings.sha256,
        options=tuple(arguments(options)),
        endpoints=ssh_target.endpoints,
    )
    files: dict[str, str | bytes] = {
        "known_hosts": ssh_target.known_hosts(),
        "new_known_hosts": known_host(ssh_target.boat, ssh_target.host_key),
        "settings.tar": settings.archive,
        "manifest.json": json.dumps(settings.manifest),
        "ssh_config": config_file(suite_options),
        "job.json": make_job(open_boat, settings, ssh_target.user, folder / "ssh_config").text(),
        "status_query.json": query.text(),
    }
    for name, content in files.items():
        write_private(folder / name, content)
    return Deployment(
        ssh_target=ssh_target,
        board=open_boat.boat.profile.board,
        base=int(str(settings.manifest["base"])),
        sha256=settings.sha256,
        folder=folder,
        profile_argument=argument(open_boat.boat.file),
    )


def make_job(open_boat: OpenBoat, settings: Settings, user: str, ssh_config: Path) -> Job:
    """Make the job of the suite for the boat."""
    profile = open_boat.boat.profile
    plain = profile.model_dump(mode="json")
    plain["access"]["keys"] = read_access_keys(open_boat.boat)
    return Job(
        boat=open_boat.name,
        user=user,
        sha256=settings.sha256,
        architecture=open_boat.board.architecture,
        profile=plain,
        manifest=dict(settings.manifest),
        ssh_config=str(ssh_config),
    )
