# SPDX-License-Identifier: GPL-3.0-or-later
"""How a boat is reached: its address, its pinned host key, and the SSH options for both."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from provision.errors import UserError

#: The port of SSH (IANA service name registry, from memory).
SSH = 22

#: Seconds to wait for a boat to answer before it counts as unreachable.
CONNECT_TIMEOUT = 10

PORTS = range(1, 65536)

#: `kittiwake=127.0.0.1:2222` or `kittiwake=[fd00::1]:2222`; the port may be left out.
_AT = re.compile(
    r"^(?P<boat>[a-z0-9-]+)=(?:\[(?P<six>[0-9a-fA-F:.]+)\]|(?P<host>[A-Za-z0-9.-]+))"
    r"(?::(?P<port>\d{1,5}))?$"
)


@dataclass(frozen=True)
class Endpoint:
    """An address or a name, and a TCP port."""

    host: str
    port: int = SSH

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == SSH else f"{host}:{self.port}"


def parse_at(places: Sequence[str]) -> dict[str, Endpoint]:
    """Where boats answer instead of at their own address, from `BOAT=HOST:PORT` texts."""
    found = {}
    for text in places:
        match = _AT.match(text)
        port = int(match["port"] or SSH) if match else 0
        if match is None or port not in PORTS:
            raise UserError(
                f"{text!r} does not say where a boat answers",
                hint="write it as --at kittiwake=127.0.0.1:2222",
            )
        found[match["boat"]] = Endpoint(match["six"] or match["host"], port)
    return found


@dataclass(frozen=True)
class Reach:
    """One boat over SSH.

    `places` are where it may answer, tried in this order: a change may move it. `host_key` is
    its public host key as `ssh-ed25519 AAAA...`, known before first contact. `identity` is
    the private key to log in with; without one, SSH offers the user's own.
    """

    boat: str
    places: tuple[Endpoint, ...]
    host_key: str
    identity: Path | None = None
    user: str = "root"

    def known_host(self) -> str:
        """The line for a known_hosts file; the boat's name stands there, not an address."""
        kind, key = self.host_key.split()[:2]
        return f"{self.boat} {kind} {key}\n"

    def options(self, folder: Path) -> dict[str, str]:
        """OpenSSH options that pin the boat's identity, whatever address it answers at.

        `folder` holds `known_hosts` and, if there is one, a link `operator` to the identity.
        Go with `-F none` or a file of their own: the user's own configuration is not read, so
        that the same push works the same from every laptop.
        """
        options = {
            "HostKeyAlias": self.boat,
            "HostKeyAlgorithms": self.host_key.split()[0],
            "StrictHostKeyChecking": "yes",
            "UserKnownHostsFile": quoted(folder / "known_hosts"),
            "GlobalKnownHostsFile": "/dev/null",
            "CheckHostIP": "no",
            "UpdateHostKeys": "no",
            "BatchMode": "yes",
            "PreferredAuthentications": "publickey",
            "ConnectTimeout": str(CONNECT_TIMEOUT),
            "ServerAliveInterval": "5",
            "ServerAliveCountMax": "3",
            "LogLevel": "ERROR",
        }
        if self.identity is not None:
            options |= {"IdentityFile": quoted(folder / "operator"), "IdentitiesOnly": "yes"}
        return options


def quoted(path: Path, token: str = "") -> str:
    """A path as an OpenSSH option takes it, blanks, quotes and percent signs included."""
    text = str(path).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f'"{text}{token}"'


def shared_connection(folder: Path, seconds: int = 60) -> dict[str, str]:
    """Options that let one connection carry many commands, its socket in `folder`."""
    return {
        "ControlMaster": "auto",
        "ControlPersist": f"{seconds}s",
        "ControlPath": quoted(folder, "/%C"),
    }


def arguments(options: Mapping[str, str]) -> list[str]:
    """The options as arguments of `ssh`."""
    return [f"-o{name}={value}" for name, value in options.items()]


def config_file(options: Mapping[str, str]) -> str:
    """The options as an OpenSSH configuration file for any host."""
    return "\n".join(["Host *", *(f"  {name} {value}" for name, value in options.items()), ""])
