# SPDX-License-Identifier: GPL-3.0-or-later
"""The club and the virtual boats that the system tests work with."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pytest

from provision.bench.bench import Bench
from provision.boards import board
from provision.card.base.cache import get_base
from provision.card.image.assemble import assemble
from provision.profile import load
from provision.profile.scaffold import create_club
from provision.profile.secrets import store, vault
from provision.profile.secrets.keygen import make_keys
from provision.push.options import PushOptions
from provision.push.plan import prepare
from provision.push.push import push
from provision.push.result import PushResult
from provision.push.workspace import workspace
from provision.render import OpenBoat
from provision.ssh.endpoint import Endpoint
from provision.verify.runner import State, VerifyResult, prove

#: Seconds after which the feed has opened its ports and heard enough to tell its rates.
SETTLED = 10.0

#: Of an emulated boat. Two benches of two processors each start in 97 s on two cores, of one each
#: in 80 s; one bench alone starts in 47 s with two, in 65 s with one.
PROCESSORS = 1 if int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")) > 1 else 2


@dataclass(frozen=True)
class Club:
    """Holds a folder of boats. Cards are built once."""

    folder: Path

    def open_boat(self, name: str) -> OpenBoat:
        """Return a boat with its secrets, as its file stands now."""
        file = load.find(name, self.folder)
        key = vault.read_password(self.folder)
        make_keys(file, key)
        return OpenBoat(load.read(file), store.read(file, key))

    def card(self, name: str) -> Path:
        """Return the boat's card, built when it is not there."""
        image = self.folder / f"{name}.img"
        if not image.exists():
            open_boat = self.open_boat(name)
            kind = board(open_boat.boat.profile.board)
            assemble(kind, open_boat.render(), get_base(kind), image)
        return image

    def copy(self, folder: Path) -> Club:
        """Return the same boats with the same secrets, to be changed."""
        shutil.copytree(self.folder, folder, ignore=shutil.ignore_patterns("*.img"))
        return Club(folder)

    @contextmanager
    def launch(self, name: str, card: Path | None = None) -> Iterator[Virtual]:
        """Give a running boat."""
        open_boat = self.open_boat(name)
        kind = board(open_boat.boat.profile.board)
        image = card or self.card(name)
        profile, secrets = open_boat.boat.profile, open_boat.secrets
        with Bench(profile, secrets, kind, image, processors=PROCESSORS) as bench:
            bench.wait_for_ssh()
            yield Virtual(self, bench)


@dataclass(frozen=True)
class Virtual:
    """Drives a running virtual boat."""

    club: Club
    bench: Bench

    @property
    def name(self) -> str:
        """Return the boat's name."""
        return self.bench.profile.boat

    @property
    def endpoint(self) -> Endpoint:
        """Return where it answers SSH."""
        return Endpoint("127.0.0.1", self.bench.ssh_port)

    @cached_property
    def _ssh(self) -> list[str]:
        known = self.bench.folder / "known_hosts"
        public = store.host_public_key(self.bench.secrets)
        known.write_text(f"{self.name} {public}\n")
        options = {
            "HostKeyAlias": self.name,
            "UserKnownHostsFile": known,
            "StrictHostKeyChecking": "yes",
            "IdentityFile": self.club.folder / "operator",
            "IdentitiesOnly": "yes",
            "BatchMode": "yes",
            "ConnectTimeout": "20",
            "LogLevel": "ERROR",
            # A connection takes an emulated boat longer than most commands; it dies with
            # the emulator.
            "ControlMaster": "auto",
            "ControlPath": self.bench.folder / "ssh",
            "ControlPersist": "60",
        }
        words = ["ssh", "-F", "/dev/null", "-p", str(self.bench.ssh_port)]
        words += [f"-o{key}={value}" for key, value in options.items()]
        return [*words, "root@127.0.0.1"]

    def ask(self, command: str, check: bool = True) -> str:
        """Return what a shell command aboard prints."""
        done = subprocess.run(
            [*self._ssh, command], capture_output=True, text=True, timeout=120, check=False
        )
        if check and done.returncode != 0:
            raise AssertionError(f"{command}: status {done.returncode}: {done.stderr}")
        return done.stdout

    def hang_up(self) -> None:
        """Close the connection that commands share."""
        subprocess.run([*self._ssh, "-O", "exit"], capture_output=True, check=False)

    def put(self, file: Path, path: str) -> None:
        """Copy a file aboard, for root's eyes only."""
        with file.open("rb") as stream:
            subprocess.run(
                [*self._ssh, f"umask 077; cat > {path}"], stdin=stream, timeout=120, check=True
            )

    def status(self) -> dict[str, Any]:
        """Return what `boat-settings status` says."""
        found: dict[str, Any] = json.loads(self.ask("boat-settings status --json"))
        return found

    def chosen(self) -> dict[str, Any]:
        """Return what the initramfs says of the settings that it chose."""
        found: dict[str, Any] = json.loads(self.ask("cat /run/boat/settings.json"))
        return found

    def feed(self) -> dict[str, Any]:
        """Return what `boat-feed --state` says."""
        found: dict[str, Any] = json.loads(self.ask("boat-feed --state"))
        return found

    def push(self, club: Club | None = None, **options: Any) -> PushResult:
        """Push what the club's folder says of this boat now."""
        open_boat = (club or self.club).open_boat(self.name)
        chosen = PushOptions(at={self.name: self.endpoint}, **options)
        (result,) = push([open_boat], chosen)
        return result

    def verify(
        self, club: Club | None = None, state: State = "kept", subjects: Sequence[str] = ()
    ) -> VerifyResult:
        """Run the suite against the boat, or what of it is about `subjects`."""
        open_boat = (club or self.club).open_boat(self.name)
        with workspace() as folder:
            (deployment,) = prepare([open_boat], folder, {self.name: self.endpoint})
            return prove(deployment.folder / "job.json", self.endpoint, state, subjects)

    def settle(self) -> None:
        """Wait until the feed has run long enough to know its rates."""
        time.sleep(max(0.0, SETTLED - self.feed()["running"]))

    def power_cycle(self) -> None:
        """Pull the plug, put it back, and wait until the boat answers."""
        self.bench.power_cut()
        self.bench.power_on()
        self.bench.wait_for_ssh()


@pytest.fixture(scope="session")
def club(tmp_path_factory: pytest.TempPathFactory) -> Club:
    """Give the example club in a folder of its own, with secrets for every boat."""
    folder = tmp_path_factory.mktemp("club") / "boats"
    create_club(folder)
    return Club(folder)
