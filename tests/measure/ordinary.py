# SPDX-License-Identifier: GPL-3.0-or-later
"""An ordinary playbook to measure a push against: a task a file, and the usual handlers.

It writes the same configuration over the same SSH options, with pipelining and a shared
connection. It proves nothing, arms no timer, and keeps nothing safe from a power cut. The
programs that settings bring along and the links that mask units are left to whoever made the
boat's disk, which spares it four tasks of five.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath
from typing import Any

import yaml

from provision.push.ansible.playbook import environment
from provision.push.workspace import hang_up
from provision.render import Settings, Symlink

#: What only our own program reads, what the boat itself writes, and its programs.
LEFT_OUT = (
    *("/etc/boat/manifest.json", "/var/lib/systemd/random-seed"),
    *("/usr/*", "/etc/systemd/system-generators/*"),
)

HANDLERS = {
    "daemon-reload": [["systemctl", "daemon-reload"]],
    "udev": [
        ["udevadm", "control", "--reload"],
        ["udevadm", "trigger", "--subsystem-match=tty", "--action=change"],
    ],
    "networkd": [["networkctl", "reload"]],
    "hostname": [["systemctl", "restart", "systemd-hostnamed.service"]],
    "sysctl": [["/usr/lib/systemd/systemd-sysctl"]],
    "tmpfiles": [["systemd-tmpfiles", "--create"]],
}


@dataclass(frozen=True)
class Ordinary:
    """The playbook of one boat. `folder` is what `provision.push.push.lay_out` has filled."""

    folder: Path

    def write(self, settings: Settings) -> int:
        """Write the playbook for these settings; how many tasks it has, handlers left out."""
        self.folder.joinpath("templates").mkdir(exist_ok=True)
        tasks = list[dict[str, Any]]()
        for number, (path, entry) in enumerate(sorted(settings.files.items())):
            if isinstance(entry, Symlink) or any(fnmatchcase(path, one) for one in LEFT_OUT):
                continue
            source = self.folder / "templates" / f"{number}.j2"
            source.write_bytes(b"{% raw %}" + entry.content + b"{% endraw %}")
            words = {"src": str(source), "dest": path, "mode": f"{entry.mode:04o}"}
            words |= {"trim_blocks": False}  # type: ignore[dict-item]
            task = {"name": f"Write {path}", "ansible.builtin.template": words}
            tasks.append(task | {"notify": _due(settings, path)})
        handlers = [
            {
                "name": f"{name}: {argv[-1]}",
                "listen": name,
                "ansible.builtin.command": {"argv": argv},
            }
            for name, commands in _handlers(settings).items()
            for argv in commands
        ]
        play = {"hosts": "boats", "gather_facts": False, "tasks": tasks, "handlers": handlers}
        (self.folder / "ordinary.yml").write_text(yaml.safe_dump([play], sort_keys=False))
        return len(tasks)

    def run(self) -> int:
        """Run it as its author would, without a connection from before; how much it changed."""
        for socket in self.folder.glob("*/c/*"):
            hang_up(socket)
        inventory, said = self.folder / "inventory.json", self.folder / "said"
        command = ["-m", "ansible", "playbook", "-i", str(inventory), "ordinary.yml"]
        # Into a file: the shared connection outlives the playbook and would hold a pipe open.
        with said.open("w") as file:
            done = subprocess.run(
                [sys.executable, *command],
                env=environment(self.folder, stop_after=0) | {"ANSIBLE_STDOUT_CALLBACK": "default"},
                cwd=self.folder,
                stdin=subprocess.DEVNULL,
                stdout=file,
                stderr=file,
                check=False,
            )
        text = said.read_text()
        if done.returncode != 0:
            raise RuntimeError(text[-3000:])
        return int(text.rpartition("changed=")[2].split()[0])


def _handlers(settings: Settings) -> dict[str, list[list[str]]]:
    return {
        _name(one): HANDLERS.get(one["action"]) or [["systemctl", one["action"], one["unit"]]]
        for one in _reloads(settings)
    }


def _reloads(settings: Settings) -> list[dict[str, Any]]:
    return list(settings.manifest["reload"])  # type: ignore[call-overload]


def _name(one: dict[str, Any]) -> str:
    return f"{one['action']} {one.get('unit', '')}".strip()


def _due(settings: Settings, path: str) -> list[str]:
    """Return the handlers that a changed file notifies."""
    return [
        _name(one)
        for one in _reloads(settings)
        if any(PurePosixPath(path).match(pattern) for pattern in one["paths"])
    ]
