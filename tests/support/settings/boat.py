# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat in a folder: its files are real, what systemd and the kernel would do is recorded."""

from __future__ import annotations

import hashlib
import io
import json
import os
import tarfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from provision.onboard.settings.archive.manifest import Link
from provision.onboard.settings.archive.read import Settings, read
from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.live.system import System, UnitState
from provision.onboard.settings.paths import MANIFEST, Paths
from provision.onboard.settings.trial import Request

#: Where folders are in RAM; None, the usual place, on a machine that has no such folder.
RAM = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None

#: A tree of settings: (mode, content) for a file, the target for a link.
Tree = Mapping[str, tuple[int, bytes] | str]

RELOAD: list[dict[str, object]] = [
    {"paths": ["/etc/systemd/system/*"], "action": "daemon-reload"},
    {"paths": ["/etc/hostname"], "action": "hostname"},
    {"paths": ["/etc/udev/rules.d/*"], "action": "udev"},
    {"paths": ["/etc/systemd/network/*"], "action": "networkd"},
    {
        "paths": ["/etc/hostapd/*", "/etc/systemd/network/*.netdev"],
        "action": "restart",
        "unit": "hostapd.service",
    },
    {"paths": ["/etc/nftables.conf"], "action": "reload", "unit": "nftables.service"},
    {"paths": ["/etc/boat/feed.json"], "action": "restart", "unit": "boat-feed.service"},
]

WANTS = "/etc/systemd/system/multi-user.target.wants/"

OLD: Tree = {
    "/etc/hostname": (0o644, b"kittiwake\n"),
    "/etc/hostapd/wlan0.conf": (0o600, b"ssid=Kittiwake\n"),
    "/etc/nftables.conf": (0o644, b"flush ruleset\n"),
    "/etc/boat/feed.json": (0o644, b"{}"),
    "/etc/systemd/system/boat-feed.service": (0o644, b"[Service]\nExecStart=/usr/bin/boat-feed\n"),
    WANTS + "boat-feed.service": "/etc/systemd/system/boat-feed.service",
    WANTS + "old.service": "/usr/lib/systemd/system/old.service",
}

NEW: Tree = {
    "/etc/hostname": (0o644, b"kittiwake\n"),
    "/etc/hostapd/wlan0.conf": (0o600, b"ssid=Renamed\n"),
    "/etc/nftables.conf": (0o640, b"flush ruleset\n"),
    "/etc/boat/feed.json": (0o644, b"{}"),
    "/etc/boat/extra/deep/file": (0o400, b"x"),
    "/etc/systemd/system/boat-feed.service": (0o644, b"[Service]\nExecStart=/usr/bin/boat-feed\n"),
    WANTS + "boat-feed.service": "/etc/systemd/system/boat-feed.service",
    WANTS + "new.service": "/usr/lib/systemd/system/new.service",
}


def pack(
    tree: Tree, reload: list[dict[str, object]] | None = None, **manifest: Any
) -> tuple[bytes, str]:
    """Pack `tree` as settings, and return archive and SHA-256. `manifest` overrides keys."""
    entries = {
        path: {"link": what}
        if isinstance(what, str)
        else {"mode": f"{what[0]:04o}", "sha256": hashlib.sha256(what[1]).hexdigest()}
        for path, what in tree.items()
    }
    about: dict[str, object] = {
        "format": 1,
        "boat": "kittiwake",
        "board": "x86-64",
        "base": 1,
        "version": "0.1.0",
        "profile": "0" * 64,
        "files": entries,
        "reload": RELOAD if reload is None else reload,
        **manifest,
    }
    members: dict[str, tuple[int, bytes] | str] = {**tree, MANIFEST: (0o644, _json(about))}
    return tar(members)


def _json(value: object) -> bytes:
    return json.dumps(value, sort_keys=True).encode()


def tar(members: Tree) -> tuple[bytes, str]:
    """An archive of `members`, with their folders, as tarfile itself writes one: the form that
    every version has made."""
    folders = {
        str(parent) for path in members for parent in Path(path).parents if str(parent) != "/"
    }
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w", format=tarfile.GNU_FORMAT) as archive:
        for path in sorted({*members, *folders}):
            info = tarfile.TarInfo(path.lstrip("/"))
            info.mtime, info.uname, info.gname = 1767225600, "root", "root"
            what = members.get(path)
            if what is None:
                info.type, info.mode = tarfile.DIRTYPE, 0o755
                archive.addfile(info)
            elif isinstance(what, str):
                info.type, info.linkname, info.mode = tarfile.SYMTYPE, what, 0o777
                archive.addfile(info)
            else:
                info.mode, info.size = what[0], len(what[1])
                archive.addfile(info, io.BytesIO(what[1]))
    data = buffer.getvalue()
    return data, hashlib.sha256(data).hexdigest()


#: The file that each unit reads when it starts or is told to read it again.
CONFIGURATION = {
    "hostapd.service": "/etc/hostapd/wlan0.conf",
    "nftables.service": "/etc/nftables.conf",
    "boat-feed.service": "/etc/boat/feed.json",
}


@dataclass
class Recorder(System):
    """System actions, recorded; what outlives a process aboard is in files under run/system.

    A unit that is started or told to reload takes up its configuration as it then is.
    `failing` are calls that fail, `down` units that never come up.
    """

    root: Path
    calls: list[str] = field(default_factory=list)
    failing: set[str] = field(default_factory=set)
    down: set[str] = field(default_factory=set)
    unmounted: set[str] = field(default_factory=set)
    clock: float = 1000.0
    free: int = 2**30

    def call(self, *words: str) -> None:
        self.calls.append(" ".join(words))
        if self.calls[-1] in self.failing:
            raise SettingsError("command", f"{self.calls[-1]} failed")

    @property
    def kept_files(self) -> Path:
        folder = self.root / "run/system"
        folder.mkdir(parents=True, exist_ok=True)
        return folder

    def running(self) -> dict[str, bytes]:
        """Units that run, with the configuration that each has taken up."""
        return {file.name: file.read_bytes() for file in self.kept_files.glob("*.service")}

    def take_up(self, unit: str) -> None:
        """Have a unit run with its configuration as it is now."""
        path = CONFIGURATION.get(unit)
        file = self.root / path.lstrip("/") if path else None
        content = file.read_bytes() if file and file.exists() else b""
        (self.kept_files / unit).write_bytes(content)

    def monotonic(self) -> float:
        return self.clock

    def wall(self) -> float:
        return 1_700_000_000.0

    def sleep(self, seconds: float) -> None:
        self.clock += seconds

    def arm(self, seconds: int) -> None:
        self.call("arm")
        (self.kept_files / "timer").write_text(str(seconds))

    def disarm(self, *, service: bool = True) -> None:
        self.call("disarm")
        (self.kept_files / "timer").unlink(missing_ok=True)

    def armed(self) -> bool:
        return (self.kept_files / "timer").exists()

    def daemon_reload(self) -> None:
        self.call("daemon-reload")

    def udev(self) -> None:
        self.call("udev")

    def networkd(self, stale: Iterable[str]) -> None:
        self.call("networkd", *stale)

    def hostname(self, name: str) -> None:
        self.call("hostname", name)

    def sysctl(self) -> None:
        self.call("sysctl")

    def tmpfiles(self, files: Iterable[str]) -> None:
        self.call("tmpfiles", *files)

    def stop(self, units: list[str]) -> None:
        self.call("stop", *units)
        for unit in units:
            (self.kept_files / unit).unlink(missing_ok=True)

    def start(self, units: list[str]) -> list[str]:
        self.call("start", *units)
        for unit in units:
            self.take_up(unit)
        return units

    def renew(self, unit: str, action: str) -> bool:
        self.call(action, unit)
        self.take_up(unit)
        return True

    def states(self, units: Iterable[str]) -> dict[str, UnitState]:
        return {
            unit: UnitState("loaded", "failed" if unit in self.down else "active") for unit in units
        }

    def free_bytes(self, folder: Path) -> int:
        return self.free

    def is_mounted(self, folder: Path) -> bool:
        return folder.is_dir() and folder.name not in self.unmounted

    def reboot(self) -> None:
        self.call("reboot")


@dataclass
class Boat:
    """Holds the folder, the recorder, and shortcuts."""

    paths: Paths
    system: Recorder

    @classmethod
    def booted(cls, root: Path, data: bytes, digest: str, kept: bool = True) -> Boat:
        """Start as the initramfs leaves the boat: settings unpacked, RAM state written."""
        boat = cls(Paths(root), Recorder(root))
        paths = boat.paths
        paths.run.mkdir(parents=True, exist_ok=True)
        paths.store.mkdir(parents=True, mode=0o700)
        paths.base.parent.mkdir(parents=True)
        paths.base.write_text(json.dumps({"format": 1, "key": "k"}))
        paths.settings.write_bytes(data)
        choice = {"choice": "kept", "sha256": digest, "degraded": False, "reason": "", "data": "ok"}
        paths.choice.write_text(json.dumps(choice))
        if kept:
            (paths.store / f"{digest}.tar").write_bytes(data)
            (paths.store / "kept").write_text(f"{digest}  {digest}.tar\n")
        boat.unpack(read(data, digest))
        return boat

    def unpack(self, settings: Settings) -> None:
        """Put the files there, as tar would, and start the units."""
        for path, entry in settings.entries.items():
            file = self.paths.live(path)
            file.parent.mkdir(parents=True, exist_ok=True)
            file.unlink(missing_ok=True)
            if isinstance(entry, Link):
                file.symlink_to(entry.target)
            else:
                file.write_bytes(settings.contents[path])
                file.chmod(entry.mode)
        for unit in {*settings.wants, *CONFIGURATION}:
            self.system.take_up(unit)

    def again(self) -> Boat:
        """Show the same boat to another process."""
        return Boat(self.paths, Recorder(self.paths.root))


def snapshot(root: Path, without: Iterable[str] = ("run", "data")) -> dict[str, tuple[Any, ...]]:
    """Return every path below `root` with its kind, mode, and content or target."""
    found: dict[str, tuple[Any, ...]] = {}
    for folder, names, files in os.walk(root):
        inside = Path(folder).relative_to(root)
        if inside == Path():
            names[:] = [name for name in names if name not in without]
        for name in [*names, *files]:
            file = Path(folder, name)
            if file.is_symlink():
                found[str(inside / name)] = ("link", os.readlink(file))
            elif file.is_dir():
                found[str(inside / name)] = ("folder", file.stat().st_mode)
            else:
                found[str(inside / name)] = ("file", file.stat().st_mode, file.read_bytes())
    return found


def ask(data: bytes, digest: str, *, overwrite_drift: bool = False) -> Request:
    """Return a trial of a minute."""
    return Request(data, digest, 60, "ann@laptop", overwrite_drift)
