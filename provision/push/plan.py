# SPDX-License-Identifier: GPL-3.0-or-later
"""From boats to the files that a push works from: archives, jobs, keys and the inventory."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from provision.boards import board
from provision.paths import argument
from provision.profile.load import Boat
from provision.profile.secrets.keygen import access_keys
from provision.profile.secrets.stolen import is_revoked
from provision.profile.secrets.stolen import recall as recall_stolen
from provision.profile.secrets.store import Secrets, host_public_key
from provision.push.inventory import Wanted
from provision.push.known_boats import recall
from provision.push.poll import Asking
from provision.push.workspace import fits, write_private
from provision.render import Settings, render
from provision.ssh.discover import locate
from provision.ssh.endpoint import (
    Endpoint,
    Reach,
    arguments,
    config_file,
    known_host,
    ready,
    shared_connection,
)
from provision.verify.job import Job


@dataclass(frozen=True)
class Target:
    """A boat with its secrets, opened."""

    boat: Boat
    secrets: Secrets

    @property
    def name(self) -> str:
        """The boat's name."""
        return self.boat.name

    def render(self) -> Settings:
        """The boat's settings."""
        return render(self.boat, self.secrets)


def reach(target: Target, at: Mapping[str, Endpoint], *, former: bool = False) -> Reach:
    """How to get to the boat: where `at` says, or else at its own address or where it was last.

    New settings may bring it to its own address from wherever it answered before. Host keys
    from before a rotation are accepted until the boat was seen on the new one, and after that
    only when `former` is set: it may have fallen back to older settings, or somebody else has
    that key.
    """
    own = Endpoint(str(target.boat.profile.network.address.ip))
    memory = recall(target.boat.file)
    last = memory.place if memory else own
    places = (at[target.name], own) if target.name in at else (own, last)
    identity = target.boat.file.parent / "operator"
    key, stolen = host_public_key(target.secrets), recall_stolen(target.boat.file)
    former_keys = target.secrets.former_host_keys
    earlier = tuple(one for one in former_keys if not is_revoked(stolen, one))
    rotated = memory is not None and memory.host_key == key and not former
    return Reach(
        boat=target.name,
        places=tuple(dict.fromkeys(places)),
        host_key=key,
        identity=identity.resolve() if identity.is_file() else None,
        former_keys=() if rotated else earlier,
        dropped_keys=earlier if rotated else (),
        stolen_keys=stolen.host_keys if stolen else (),
        unseen=memory is None and target.name not in at,
    )


def ways(
    targets: Sequence[Target], at: Mapping[str, Endpoint], *, former: bool = False
) -> list[Reach]:
    """How to get to each boat, first where it answers now if that is not known.

    UserError when this computer cannot ask any boat.
    """
    ready()
    known = [reach(target, at, former=former) for target in targets]
    with ThreadPoolExecutor(max(len(known), 1)) as pool:
        return list(pool.map(lambda way: way if way.boat in at else _located(way), known))


def _located(way: Reach) -> Reach:
    return locate(way) if len(way.places) > 1 else way


def prepare(
    targets: Sequence[Target],
    folder: Path,
    at: Mapping[str, Endpoint],
    *,
    former: bool = False,
) -> list[Wanted]:
    """Render every boat, and write what a push of it works from below `folder`.

    `folder` is private (mode 0700), and so is what is written.
    """
    return [
        _prepare(target, folder / target.name, way)
        for target, way in zip(targets, ways(targets, at, former=former), strict=True)
    ]


def _prepare(target: Target, folder: Path, way: Reach) -> Wanted:
    settings = target.render()
    folder.mkdir(mode=0o700)
    for connections in ("c", "p"):
        (folder / connections).mkdir(mode=0o700)
    if way.identity:
        (folder / "operator").symlink_to(way.identity)
    options = way.options(folder)
    # The suite's connections are its own, so that it proves that a new one can be made.
    suite_options = options | (shared_connection(folder / "p") if fits(folder / "p") else {})
    asking = Asking(
        boat=target.name,
        user=way.user,
        sha256=settings.sha256,
        options=tuple(arguments(options)),
        places=way.places,
    )
    files: dict[str, str | bytes] = {
        "known_hosts": way.known_hosts(),
        "new_known_hosts": known_host(way.boat, way.host_key),
        "settings.tar": settings.archive,
        "manifest.json": json.dumps(settings.manifest),
        "ssh_config": config_file(suite_options),
        "job.json": job(target, settings, way.user, folder / "ssh_config").text(),
        "asking.json": asking.text(),
    }
    for name, content in files.items():
        write_private(folder / name, content)
    return Wanted(
        reach=way,
        board=target.boat.profile.board,
        base=int(str(settings.manifest["base"])),
        sha256=settings.sha256,
        folder=folder,
        called=argument(target.boat.file),
    )


def job(target: Target, settings: Settings, user: str, ssh_config: Path) -> Job:
    """What the suite is told about the boat."""
    profile = target.boat.profile
    plain = profile.model_dump(mode="json")
    plain["access"]["keys"] = access_keys(target.boat)
    return Job(
        boat=target.name,
        user=user,
        sha256=settings.sha256,
        architecture=board(profile.board).architecture,
        profile=plain,
        manifest=dict(settings.manifest),
        ssh_config=str(ssh_config),
    )
