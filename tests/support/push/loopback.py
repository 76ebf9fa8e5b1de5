# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats in folders, each behind an sshd of its own on loopback, for tests and measurements."""

from __future__ import annotations

import getpass
import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from provision.profile import load
from provision.profile.secrets.keygen import generate_private_key, make_operator
from provision.profile.secrets.store import Secrets
from provision.push import plan, rollout
from provision.push.ansible import inventory
from provision.render import OpenBoat, Settings
from provision.ssh.endpoint import Endpoint, SshTarget
from tests.support import programs

#: Stands in every secret of these boats, and must turn up in no output.
CANARY = "canary-in-the-pass-phrase"


def free_port() -> int:
    """Return a TCP port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class RigBoat:
    """Holds one boat: its profile's file, its folder as root, and its sshd's endpoint."""

    file: Path
    folder: Path
    secrets: Secrets
    port: int = field(default_factory=free_port)

    @property
    def root(self) -> Path:
        return self.folder / "root"

    @property
    def endpoint(self) -> Endpoint:
        return Endpoint("127.0.0.1", self.port)

    @property
    def open_boat(self) -> OpenBoat:
        return OpenBoat(load.read(self.file), self.secrets)

    def change(self, value: object, *keys: str) -> None:
        """Another value in the profile."""
        content = yaml.safe_load(self.file.read_text())
        inner = content
        for key in keys[:-1]:
            inner = inner[key]
        inner[keys[-1]] = value
        self.file.write_text(yaml.safe_dump(content))

    def boot(self) -> Settings:
        """Fill the folder as the initramfs leaves the boat: kept settings unpacked."""
        settings = self.open_boat.render()
        for folder in ("run/boat", "data/settings", "usr/lib/boat-base"):
            (self.root / folder).mkdir(parents=True)
        (self.root / "usr/lib/boat-base/base.json").write_text('{"format": 1}')
        choice = {"choice": "kept", "sha256": settings.sha256, "degraded": False}
        (self.root / "run/boat/settings.json").write_text(json.dumps(choice))
        (self.root / "run/boat/settings.tar").write_bytes(settings.archive)
        store = self.root / "data/settings"
        (store / f"{settings.sha256}.tar").write_bytes(settings.archive)
        (store / "kept").write_text(f"{settings.sha256}  {settings.sha256}.tar\n")
        extract = ["tar", "-x", "--no-same-owner", "-C", str(self.root)]
        subprocess.run(extract, input=settings.archive, check=True)
        return settings

    def programs(self) -> Path:
        """Make the folder with the programs that the boat has and this machine has not."""
        folder = self.folder / "bin"
        folder.mkdir()
        self.feed()
        program = Path(__file__).with_name("push_boat.py")
        for name, line in {
            "boat-settings": f'exec {sys.executable} {program} {self.root} "$@"',
            "cat": f'[ "$1" != /etc/boat/manifest.json ] || set -- {self.root}"$1"\n'
            'exec /bin/cat "$@"',
            "boat-feed": f"exec cat {self.folder}/feed.json",
            "tar": "for word; do shift\n"
            f'[ "$word" != --directory=/ ] || word=--directory={self.root}\n'
            'set -- "$@" "$word"; done; exec /bin/tar "$@"',
        }.items():
            (folder / name).write_text(f"#!/bin/sh\n{line}\n")
            (folder / name).chmod(0o755)
        return folder

    def feed(self, **links: dict[str, Any]) -> None:
        """Have the boat's feed report these links from now on."""
        state = {"running": 600.0, "links": links, "inputs": {}}
        (self.folder / "feed.json").write_text(json.dumps(state))

    def aboard(self, *command: str) -> None:
        """Run `boat-settings` as the boat itself does, such as at its start."""
        subprocess.run(
            [self.folder / "bin/boat-settings", *command], stdout=subprocess.DEVNULL, check=True
        )

    def listen(self, host_key: str | None = None) -> subprocess.Popen[bytes]:
        """Start an sshd that the operator's key opens; its host key is the settings' own, or
        another's."""
        key = self.root / "etc/ssh/ssh_host_ed25519_key"
        if host_key is not None:
            key = self.folder / "host_key"
            key.touch(0o600)
            key.write_text(host_key)
        config = self.folder / "sshd_config"
        config.write_text(
            f"""
            ListenAddress 127.0.0.1:{self.port}
            HostKey {key}
            AuthorizedKeysFile {self.file.parent}/operator.pub
            PidFile none
            StrictModes no
            UsePAM no
            PasswordAuthentication no
            KbdInteractiveAuthentication no
            PermitRootLogin prohibit-password
            Subsystem sftp internal-sftp
            SetEnv PATH={self.programs()}:/usr/sbin:/usr/bin:/sbin:/bin SHLVL=1
            """
            # bash reads the .bashrc of whoever tests, which may do anything, for a command over
            # SSH, unless another shell is there already.
        )
        if os.geteuid() == 0:
            # What the distribution's own unit does for an sshd of root's.
            Path("/run/sshd").mkdir(exist_ok=True)
        log = (self.folder / "sshd.log").open("wb")
        process = subprocess.Popen([*programs.sshd(), "-D", "-e", "-f", config], stderr=log)
        (self.folder / "sshd.pid").write_text(str(process.pid))
        return process


def wait_for(port: int) -> None:
    """Until somebody listens there."""
    for _ in range(200):
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return
        time.sleep(0.02)
    raise AssertionError(f"nobody listens on port {port}")


@contextmanager
def on_loopback(state: Path) -> Iterator[pytest.MonkeyPatch]:
    """Log in as whoever runs this, look for boats on loopback only, remember them in `state`."""
    with pytest.MonkeyPatch.context() as patch:
        ssh_target_of = plan.ssh_target_of

        def near(*given: Any, **named: Any) -> SshTarget:
            ssh_target = ssh_target_of(*given, **named)
            return replace(ssh_target, user=getpass.getuser(), endpoints=ssh_target.endpoints[:1])

        for module in (plan, rollout):
            patch.setattr(module, "ssh_target_of", near)
        patch.setenv("XDG_STATE_HOME", str(state))
        yield patch


@contextmanager
def boats_below(top: Path, patch: pytest.MonkeyPatch) -> Iterator[Callable[..., RigBoat]]:
    """Makes boats by name; `up=False` leaves one switched off, `host_key` gives it another's."""
    host = inventory._host
    patch.setattr(
        inventory,
        "_host",
        lambda boat: (
            host(boat)
            | {
                "boat_incoming": str(top / boat.name / f"incoming-{boat.sha256}.tar"),
                "ansible_remote_tmp": str(top / boat.name / "ansible"),
            }
        ),
    )
    boats = top / "boats"
    boats.mkdir()
    make_operator(boats)
    running: list[subprocess.Popen[bytes]] = []

    def make(name: str, *, up: bool = True, host_key: str | None = None) -> RigBoat:
        profile = {
            "boat": name,
            "board": "x86-64",
            "network": {
                "address": f"10.47.{len(list(boats.iterdir()))}.1/24",
                "access_point": {"ssid": f"{name} one", "country": "GB"},
            },
            "links": {"gnss": {"adapter": {"serial": "RG-GNSS-01"}, "talks": ["RMC"]}},
            "access": {"keys": ["operator.pub"]},
        }
        file = boats / f"{name}.yml"
        file.write_text(yaml.safe_dump(profile))
        # A test that is run once more makes its boats again.
        shutil.rmtree(top / name, ignore_errors=True)
        (top / name).mkdir()
        boat = RigBoat(
            file, top / name, Secrets(pass_phrase=CANARY, host_key=generate_private_key())
        )
        boat.boot()
        if up:
            running.append(boat.listen(host_key))
            wait_for(boat.port)
        return boat

    try:
        yield make
    finally:
        for process in running:
            process.terminate()
        for process in running:
            process.wait()


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[pytest.MonkeyPatch]:
    """Log in as whoever runs the tests, and look for boats on loopback only."""
    with on_loopback(tmp_path_factory.mktemp("state")) as patch:
        yield patch


@pytest.fixture(scope="module")
def rig(
    tmp_path_factory: pytest.TempPathFactory, here: pytest.MonkeyPatch
) -> Iterator[Callable[..., RigBoat]]:
    """Makes boats by name, see `boats_below`."""
    with boats_below(tmp_path_factory.mktemp("rig"), here) as make:
        yield make
