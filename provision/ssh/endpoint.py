# SPDX-License-Identifier: GPL-3.0-or-later
"""How a boat is reached: its address, its pinned host key, and the SSH options for both."""

from __future__ import annotations

import base64
import hashlib
import os
import pwd
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from provision.commands import find
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
    its public host key as `ssh-ed25519 AAAA...`, known before first contact. `former_keys` are
    those that it may still have from before a rotation; `dropped_keys` those that it had, and
    must not show any more; `stolen_keys` those of its lost or stolen cards. `identity` is the
    private key to log in with; without one, SSH offers the user's own. `unseen` says that it
    never answered anybody here, and that nobody has said where it does.
    """

    boat: str
    places: tuple[Endpoint, ...]
    host_key: str
    identity: Path | None = None
    user: str = "root"
    former_keys: tuple[str, ...] = ()
    dropped_keys: tuple[str, ...] = ()
    stolen_keys: tuple[str, ...] = ()
    unseen: bool = False

    @property
    def pinned(self) -> tuple[str, ...]:
        """The public host keys that the boat may show."""
        return (self.host_key, *self.former_keys)

    def known_hosts(self) -> str:
        """A known_hosts file; the boat's name stands there, not an address."""
        return "".join(known_host(self.boat, key) for key in self.pinned)

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
            # Else it does not say why a connection could not be made.
            "LogLevel": "INFO",
        }
        if self.identity is not None:
            options |= {"IdentityFile": quoted(folder / "operator"), "IdentitiesOnly": "yes"}
        return options


def known_host(boat: str, key: str) -> str:
    """The line that pins one host key to a boat's name."""
    kind, data = key.split()[:2]
    return f"{boat} {kind} {data}\n"


def fingerprint(key: str) -> str:
    """A public key's fingerprint as OpenSSH prints it, `SHA256:...`."""
    digest = hashlib.sha256(base64.b64decode(key.split()[1])).digest()
    return "SHA256:" + base64.b64encode(digest).decode().rstrip("=")


def ready() -> None:
    """UserError when this computer cannot ask any boat: without ssh, or as a user without name."""
    find("ssh")
    try:
        pwd.getpwuid(os.getuid())
    except KeyError:
        raise UserError(
            f"the user with the number {os.getuid()} has no name on this computer, and ssh "
            "does not work for such a one",
            hint="work as a user with an entry in /etc/passwd; in a container, add that user",
        ) from None


def ssh(user: str, options: Sequence[str], place: Endpoint, *first: str) -> list[str]:
    """`ssh` to a place, over a connection of its own; a command for there goes behind it.

    Of an option that is given twice, OpenSSH takes the first: those in `first` win.
    """
    return [
        *(find("ssh"), "-F", "none", *first, *options, "-oControlPath=none"),
        *("-p", str(place.port), "-l", user, place.host),
    ]


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
