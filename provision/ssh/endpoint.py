# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the SSH options for a boat: its endpoints, its pinned host keys, the login key.

Tell from OpenSSH's messages that another machine answered, or that the boat refused a login.
"""

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
SSH_PORT = 22

#: Seconds to wait for a boat to answer before it counts as unreachable.
CONNECT_TIMEOUT_S = 10

PORTS = range(1, 65536)

# OpenSSH's messages, from memory.

#: Another machine answered than the boat.
WRONG_KEY = (
    *("Host key verification failed", "REMOTE HOST IDENTIFICATION HAS CHANGED"),
    "no matching host key type found",
)

#: The boat refused the login.
NOT_LET_IN = ("Permission denied",)

#: Nothing answered, or something without SSH.
NO_ANSWER = (
    *("Connection timed out", "Operation timed out", "No route to host"),
    *("Connection refused", "Network is unreachable", "Could not resolve hostname"),
)

#: No machine is known by the name; the group is that name.
NO_SUCH_NAME = re.compile(r"Could not resolve hostname (\S+?):? ")

#: `kittiwake=127.0.0.1:2222` or `kittiwake=[fd00::1]:2222`; the port may be left out.
_AT = re.compile(
    r"^(?P<boat>[a-z0-9-]+)=(?:\[(?P<six>[0-9a-fA-F:.]+)\]|(?P<host>[A-Za-z0-9.-]+))"
    r"(?::(?P<port>\d{1,5}))?$"
)


@dataclass(frozen=True)
class Endpoint:
    """An address or a name, and a TCP port."""

    host: str
    port: int = SSH_PORT

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == SSH_PORT else f"{host}:{self.port}"


def parse_at(texts: Sequence[str]) -> dict[str, Endpoint]:
    """Parse `BOAT=HOST:PORT` texts: endpoints of boats that are not at their own address."""
    found = {}
    for text in texts:
        match = _AT.match(text)
        port = int(match["port"] or SSH_PORT) if match else 0
        if match is None or port not in PORTS:
            raise UserError(
                f"{text!r} does not say where a boat answers",
                hint="write it as --at kittiwake=127.0.0.1:2222",
            )
        found[match["boat"]] = Endpoint(match["six"] or match["host"], port)
    return found


@dataclass(frozen=True)
class SshTarget:
    """Hold how to reach one boat over SSH.

    `endpoints` are where it may answer, tried in this order: a change may move it. `host_key`
    is its public host key as `ssh-ed25519 AAAA...`, known before first contact. `former_keys`
    are keys that the boat may still have from before a rotation. `dropped_keys` are keys that
    it had and must not show any more. `stolen_keys` are keys of its lost or stolen cards.
    `identity` is the private key to log in with. Without it, SSH offers the user's own keys.
    `unseen` says that the boat never answered this computer, and that no `--at` names it.
    """

    boat: str
    endpoints: tuple[Endpoint, ...]
    host_key: str
    identity: Path | None = None
    user: str = "root"
    former_keys: tuple[str, ...] = ()
    dropped_keys: tuple[str, ...] = ()
    stolen_keys: tuple[str, ...] = ()
    unseen: bool = False

    @property
    def pinned(self) -> tuple[str, ...]:
        """List the public host keys that the boat may show."""
        return (self.host_key, *self.former_keys)

    def known_hosts(self) -> str:
        """Write a known_hosts file, under the boat's name instead of an address."""
        return "".join(known_host(self.boat, key) for key in self.pinned)

    def options(self, folder: Path) -> dict[str, str]:
        """Build OpenSSH options that pin the boat's identity, whatever address it answers at.

        `folder` holds `known_hosts` and, if there is one, a link `operator` to the identity.
        Give them with `-F none` or in a file of their own. OpenSSH then does not read the user's
        configuration, and the same push works the same from every laptop.
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
            # Its key pair costs the laptop some 70 ms of processor time a connection, and the board
            # more. What is left begins with the other hybrid of OpenSSH 9.9, then with X25519.
            "KexAlgorithms": "-sntrup761*",
            "ConnectTimeout": str(CONNECT_TIMEOUT_S),
            "ServerAliveInterval": "5",
            "ServerAliveCountMax": "3",
            # At a lower level OpenSSH does not say why a connection failed.
            "LogLevel": "INFO",
        }
        if self.identity is not None:
            options |= {"IdentityFile": quoted(folder / "operator"), "IdentitiesOnly": "yes"}
        return options


def known_host(boat: str, key: str) -> str:
    """Write the line that pins one host key to a boat's name."""
    kind, data = key.split()[:2]
    return f"{boat} {kind} {data}\n"


def fingerprint(key: str) -> str:
    """Compute a public key's fingerprint as OpenSSH prints it, `SHA256:...`."""
    digest = hashlib.sha256(base64.b64decode(key.split()[1])).digest()
    return "SHA256:" + base64.b64encode(digest).decode().rstrip("=")


def require_ssh() -> None:
    """Raise UserError when ssh is not installed, or the user has no name on this computer."""
    find("ssh")
    try:
        pwd.getpwuid(os.getuid())
    except KeyError:
        raise UserError(
            f"the user with the number {os.getuid()} has no name on this computer, and ssh "
            "does not work for such a one",
            hint="work as a user with an entry in /etc/passwd; in a container, add that user",
        ) from None


def ssh(user: str, options: Sequence[str], endpoint: Endpoint, *first: str) -> list[str]:
    """Build an `ssh` command to an endpoint, over a new connection. A remote command follows it.

    OpenSSH takes the first of an option that is given twice, so options in `first` win.
    """
    return [
        *(find("ssh"), "-F", "none", *first, *options, "-oControlPath=none"),
        *("-p", str(endpoint.port), "-l", user, endpoint.host),
    ]


def quoted(path: Path, token: str = "") -> str:
    """Quote a path for an OpenSSH option: blanks, quotes and percent signs."""
    text = str(path).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f'"{text}{token}"'


def shared_connection(folder: Path, seconds: int = 60) -> dict[str, str]:
    """Build options that let one connection carry many commands. Its socket is in `folder`."""
    return {
        "ControlMaster": "auto",
        "ControlPersist": f"{seconds}s",
        "ControlPath": quoted(folder, "/%C"),
    }


def arguments(options: Mapping[str, str]) -> list[str]:
    """Write the options as arguments of `ssh`."""
    return [f"-o{name}={value}" for name, value in options.items()]


def config_file(options: Mapping[str, str]) -> str:
    """Write the options as an OpenSSH configuration file for any host."""
    return "\n".join(["Host *", *(f"  {name} {value}" for name, value in options.items()), ""])


def refused(message: str) -> bool:
    """Tell whether a message means another machine or a refused login."""
    return any(words in message for words in (*WRONG_KEY, *NOT_LET_IN))
