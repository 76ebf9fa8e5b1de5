# SPDX-License-Identifier: GPL-3.0-or-later
"""A fleet on one machine: every boat in network namespaces of its own.

Each boat is this machine's file system under a private RAM overlay, with the boat's own
address, host name, sshd and settings, all as its profile has them; see `netns_boat`. The
`provision` command runs ashore, in a namespace from where wires lead to the boats and nowhere
else. All of it is gone when the processes are.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from provision.boards import board
from provision.commands import environment, find, run
from provision.errors import UserError
from provision.profile import load
from provision.profile.scaffold import create_club
from provision.profile.secrets import store, vault
from provision.profile.secrets.keygen import make_keys
from provision.push.records.known_boats import recall, remember
from provision.render import OpenBoat
from tests.support.push import netns_boat

#: Where the laptop is; routed, as over a club's own network.
SHORE = "10.46.0.1"

#: Files of the suite that ask nothing of units, adapters or a radio.
SUBJECTS = ("identity", "logins")

#: Seconds that a boat, or the laptop, gets to come up on a busy machine.
ANSWER_TIMEOUT_S = 60

#: A club of 24, for tests and measurements.
BOATS = (
    *("avocet", "brent", "curlew", "dotterel", "eider", "fulmar", "gannet", "godwit"),
    *("guillemot", "knot", "lapwing", "merganser", "oystercatcher", "pintail", "plover"),
    *("puffin", "razorbill", "redshank", "ruff", "sanderling", "scoter", "shearwater"),
    *("teal", "whimbrel"),
)

NAMESPACES = ("--mount", "--net", "--uts", "--pid", "--fork", "--kill-child=KILL")


@dataclass(frozen=True)
class Done:
    """Holds how a command ended ashore, and after how many seconds."""

    status: int
    output: str
    errors: str
    seconds: float


@dataclass
class NetnsFleet:
    """Runs the club, whose boats are switched on by name."""

    folder: Path
    shore: subprocess.Popen[bytes]
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    @property
    def boats(self) -> Path:
        """Return the folder with the profiles."""
        return self.folder / "boats"

    def file(self, name: str) -> Path:
        """Return a boat's profile."""
        return self.boats / f"{name}.yml"

    def open_boat(self, name: str) -> OpenBoat:
        """Return a boat with its secrets, as its profile stands now."""
        boat = load.read(self.file(name))
        return OpenBoat(boat, store.read(boat.file, vault.read_password(self.boats)))

    def change(self, name: str, value: object, *keys: str) -> None:
        """Another value in a profile."""
        content = yaml.safe_load(self.file(name).read_text())
        inner = content
        for key in keys[:-1]:
            inner = inner[key]
        inner[keys[-1]] = value
        self.file(name).write_text(yaml.safe_dump(content))

    def switch_on(self, names: Sequence[str]) -> None:
        """Have boats come up on the settings of their profiles; each is switched on once."""
        for number, name in enumerate(names, len(self.running)):
            self.running[name] = self._boot(name)
            wire = f"boat{number}"
            self._ip(
                f"link add {wire} type veth peer name {netns_boat.WIRE}"
                f" netns {_child(self.running[name])}",
                f"link set {wire} up",
                f"route add {load.read(self.file(name)).profile.network.address.ip}/32 dev {wire}",
            )
            self.running[name].stdin.write(b"the wire is there\n")  # type: ignore[union-attr]
            self.running[name].stdin.close()  # type: ignore[union-attr]
        for name in names:
            self._wait(name)

    def switch_off(self, names: Sequence[str]) -> None:
        """Pull the plugs; what is sent to these boats from now on is lost."""
        for name in names:
            process = self.running[name]
            process.kill()
            process.wait()
            address = load.read(self.file(name)).profile.network.address.ip
            # The kernel takes a dead namespace's wires away some time later.
            self._ip(
                f"route replace {address}/32 dev nowhere",
                f"neighbour replace {address} lladdr 02:00:00:00:00:01 dev nowhere",
            )

    def aboard(self, name: str, *command: str) -> str:
        """Return what a command in a running boat's namespaces prints."""
        pid = str(_child(self.running[name]))
        spaces = ["nsenter", f"--target={pid}", "--mount", "--net", "--uts", "--pid", "--root"]
        return run(*spaces, "--wd=/", "--", *command).stdout

    def seen(self, names: Sequence[str], ago: float) -> None:
        """Have the laptop remember these boats as last seen `ago` seconds before now."""
        with _state(self.folder / "state"):
            for name in names:
                memory = recall(self.file(name))
                assert memory is not None, f"{name} was never seen"
                remember(
                    self.file(name), type(memory)(**{**vars(memory), "seen": time.time() - ago})
                )

    def provision(self, *command: str) -> Done:
        """Run a `provision` command ashore."""
        begin = time.monotonic()
        with self.start(*command) as process:
            output, errors = process.communicate()
        return Done(process.returncode, output, errors, time.monotonic() - begin)

    def start(self, *command: str) -> subprocess.Popen[str]:
        """Start a `provision` command ashore."""
        return subprocess.Popen(
            [*self._ashore, sys.executable, "-m", "provision", *command],
            env=environment(
                PYTHONPATH=str(self.folder / "installed"),
                XDG_STATE_HOME=str(self.folder / "state"),
                XDG_RUNTIME_DIR="",
                COLUMNS="200",
            ),
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def root(self, name: str) -> Path:
        """Return where this process sees a running boat's file system."""
        return Path(f"/proc/{_child(self.running[name])}/root")

    def cut(self, name: str) -> None:
        """Pull the wire to a boat: what is sent either way is lost."""
        number = [*self.running].index(name)
        self._ip(f"link set boat{number} down")

    @property
    def _ashore(self) -> list[str]:
        return [find("nsenter"), f"--target={_child(self.shore)}", "--net", "--"]

    def _ip(self, *commands: str) -> None:
        run(*self._ashore, find("ip"), "-batch", "-", input="\n".join(commands) + "\n")

    def _boot(self, name: str) -> subprocess.Popen[bytes]:
        open_boat, folder = self.open_boat(name), self.folder / name
        settings, kind = open_boat.render(), board(open_boat.boat.profile.board)
        folder.mkdir()
        (folder / "settings.tar").write_bytes(settings.archive)
        base = {"format": settings.manifest["base"], "architecture": kind.architecture}
        choice = {"choice": "kept", "sha256": settings.sha256, "degraded": False}
        for file, content in (("base", base), ("settings", choice)):
            (folder / f"{file}.json").write_text(json.dumps(content))
        address = str(open_boat.boat.profile.network.address)
        return _spawn(
            [netns_boat.PYTHON, "-m", netns_boat.MODULE, "boot", str(folder), address, SHORE],
            folder / "log",
        )

    def _wait(self, name: str) -> None:
        address, end = load.read(self.file(name)).profile.network.address.ip, ANSWER_TIMEOUT_S
        until = time.monotonic() + end
        while self.running[name].poll() is None and time.monotonic() < until:
            done = run(*self._ashore, "ssh-keyscan", "-T", 5, str(address), check=False)
            if done.stdout.strip():
                return
            time.sleep(0.1)
        log = (self.folder / name / "log").read_text(errors="replace")
        raise AssertionError(f"{name} did not come up: {log}")


def profile(name: str, number: int) -> dict[str, object]:
    """Return a small boat."""
    return {
        "boat": name,
        "board": "x86-64",
        "network": {
            "address": f"10.47.{number}.1/24",
            "access_point": {"ssid": f"{name} one", "country": "GB"},
        },
        "links": {"gnss": {"adapter": {"serial": f"RG-{number:02}-01"}, "talks": ["RMC"]}},
        "access": {"keys": ["operator.pub"]},
    }


@contextmanager
def netns_fleet(
    folder: Path, profiles: Mapping[str, dict[str, object]], subjects: Sequence[str] = SUBJECTS
) -> Iterator[NetnsFleet]:
    """Give a club with these profiles (by boat), nobody switched on yet. `folder` is new or empty.

    `subjects` are the files of the suite that prove a boat.
    """
    if os.geteuid() != 0:
        raise UserError(
            "only root can wire namespaces to each other",
            hint="run these tests as root",
        )
    boats = folder / "boats"
    create_club(boats)
    for demo in boats.glob("*.yml"):
        demo.unlink()
    for name, profile in profiles.items():
        (boats / f"{name}.yml").write_text(yaml.safe_dump(profile))
        make_keys(boats / f"{name}.yml", vault.read_password(boats))
    _install(folder / "installed", subjects)
    (folder / "state").mkdir()
    shore = _spawn(["sleep", "infinity"], folder / "shore.log")
    club = NetnsFleet(folder, shore)
    try:
        club._ip(
            f"address add {SHORE}/32 dev lo",
            "link set lo up",
            "link add nowhere type veth peer name nobody",
            "link set nowhere up",
            "link set nobody up",
        )
        yield club
    finally:
        for process in (*club.running.values(), shore):
            process.kill()
            process.wait()


def _spawn(command: Sequence[str], log: Path) -> subprocess.Popen[bytes]:
    """Run something in namespaces of its own, which end with it, and it with us."""
    process = subprocess.Popen(
        [
            *(find("setpriv"), "--pdeathsig", "KILL", "--"),
            *(find("unshare"), *NAMESPACES, "--", *command),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=log.open("wb"),
        env=environment(),
        cwd=netns_boat.REPOSITORY,
    )
    _child(process)
    return process


def _child(process: subprocess.Popen[bytes]) -> int:
    """Return the process that unshare has started: number 1 of its own."""
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    until = time.monotonic() + ANSWER_TIMEOUT_S
    while time.monotonic() < until:
        with suppress(OSError, ValueError):
            return int(children.read_text())
        time.sleep(0.01)
    raise AssertionError("a namespace was not made")


def _install(folder: Path, subjects: Sequence[str]) -> None:
    """Install the program as it is, but for files of its suite that need units or hardware."""
    suite = folder / "tests/boat"
    suite.mkdir(parents=True)
    for name in ("provision", "roles", "templates", "boats"):
        (folder / name).symlink_to(netns_boat.REPOSITORY / name)
    for name in ("conftest.py", *(f"test_{subject}.py" for subject in subjects)):
        (suite / name).symlink_to(netns_boat.REPOSITORY / "tests/boat" / name)


@contextmanager
def _state(folder: Path) -> Iterator[None]:
    before = os.environ.get("XDG_STATE_HOME")
    os.environ["XDG_STATE_HOME"] = str(folder)
    try:
        yield
    finally:
        del os.environ["XDG_STATE_HOME"]
        if before is not None:
            os.environ["XDG_STATE_HOME"] = before
