# SPDX-License-Identifier: GPL-3.0-or-later
"""Connect to a boat in this process, for a stream that lasts and can be cancelled.

The boat's host key is known before, and no other is accepted. No agent is forwarded.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import paramiko
from paramiko.pkey import UnknownKeyType
from paramiko.ssh_exception import IncompatiblePeer

from provision.errors import UserError
from provision.ssh.endpoint import CONNECT_TIMEOUT_S, Endpoint, SshTarget
from provision.ssh.refusal import (
    explain_known_key,
    explain_no_answer,
    explain_no_login,
    explain_other_machine,
)

#: Bytes that a connection takes in all, of whatever kind: paramiko itself knows no bound.
MAX_RECEIVED_BYTES = 2**23

#: Seconds for the login. A loaded board takes several.
LOGIN_TIMEOUT_S = 30

#: Seconds between two signs of life below the stream's own.
KEEPALIVE_S = 5

#: Keys that OpenSSH offers when none is named (ssh_config(5), from memory).
USUAL_KEYS = ("id_ed25519", "id_ecdsa", "id_rsa")

# It would write what the other side sends to standard error.
logging.getLogger("paramiko").addHandler(logging.NullHandler())
logging.getLogger("paramiko").propagate = False


class BoundedSocket(socket.socket):
    """A connected socket that breaks after so many bytes were received."""

    def __init__(self, channel: socket.socket, limit: int) -> None:
        """Take the connection of another socket, which is closed by that."""
        super().__init__(fileno=channel.detach())
        self._left = limit

    def recv(self, size: int, flags: int = 0) -> bytes:
        """Receive as a socket does. EOFError when it was more than the limit."""
        data = super().recv(size, flags)
        self._left -= len(data)
        if self._left < 0:
            raise EOFError("the other side sent too much")
        return data


@contextmanager
def connect(target: SshTarget, limit: int = MAX_RECEIVED_BYTES) -> Iterator[paramiko.Transport]:
    """Log in to the boat at its first endpoint. UserError when that is not possible.

    The connection breaks after `limit` bytes were received.
    """
    endpoint = target.endpoints[0]
    channel = BoundedSocket(_reach(target, endpoint), limit)
    with closing(paramiko.Transport(channel)) as transport:
        transport.banner_timeout = transport.handshake_timeout = CONNECT_TIMEOUT_S
        transport.auth_timeout = LOGIN_TIMEOUT_S
        transport.get_security_options().key_types = (target.host_key.split()[0],)
        _shake_hands(transport, target, endpoint)
        _log_in(transport, target, endpoint)
        transport.set_keepalive(KEEPALIVE_S)
        yield transport


def _reach(target: SshTarget, endpoint: Endpoint) -> socket.socket:
    try:
        return socket.create_connection((endpoint.host, endpoint.port), CONNECT_TIMEOUT_S)
    except socket.gaierror:
        raise UserError(
            explain_no_answer(target, endpoint, endpoint.host),
            hint=f"give its address: --at {target.boat}=ADDRESS",
        ) from None
    except OSError:
        hint = (
            f"Is it switched on, and is this laptop on its network? Or --at {target.boat}=ADDRESS"
        )
        raise UserError(explain_no_answer(target, endpoint), hint=hint) from None


def _shake_hands(transport: paramiko.Transport, target: SshTarget, endpoint: Endpoint) -> None:
    """Agree on keys, and compare the host key with those that the boat may show."""
    try:
        transport.start_client(timeout=CONNECT_TIMEOUT_S)
        key = transport.get_remote_server_key()
    except IncompatiblePeer:
        reason, hint = explain_other_machine(target, endpoint)
        raise UserError(reason, hint=hint) from None
    except (paramiko.SSHException, EOFError, OSError):
        raise UserError(
            f"{endpoint} answers, but does not speak SSH to the end",
            hint="begin again; if it stays so, see what else has that address",
        ) from None
    shown = f"{key.get_name()} {key.get_base64()}"

    def is_shown(public: str) -> bool:
        return " ".join(public.split()[:2]) == shown

    if not any(map(is_shown, target.pinned)):
        reason, hint = explain_known_key(target, endpoint, is_shown) or explain_other_machine(
            target, endpoint
        )
        raise UserError(reason, hint=hint)


def _log_in(transport: paramiko.Transport, target: SshTarget, endpoint: Endpoint) -> None:
    for key in _keys(target):
        try:
            transport.auth_publickey(target.user, key)
        except paramiko.AuthenticationException:
            continue
        except (paramiko.SSHException, EOFError, OSError):
            break
        if transport.is_authenticated():
            return
    reason, hint = explain_no_login(target, endpoint)
    raise UserError(reason, hint=hint)


def _keys(target: SshTarget) -> Iterator[paramiko.PKey]:
    """Yield the keys to log in with: the boat's, or the user's own if the boat has none."""
    files = [target.identity] if target.identity else _usual_files()
    locked = []
    for file in files:
        try:
            yield paramiko.PKey.from_path(file)
        except (paramiko.SSHException, UnknownKeyType, ValueError, TypeError, OSError):
            locked.append(file)
    for key in paramiko.Agent().get_keys():
        if target.identity is None or any(_public(file) == key.get_base64() for file in locked):
            yield key


def _usual_files() -> list[Path]:
    folder = Path(os.path.expanduser("~/.ssh"))
    return [folder / name for name in USUAL_KEYS if (folder / name).is_file()]


def _public(file: Path) -> str:
    """Return the public key beside a private key that has a pass-phrase. Empty without one."""
    try:
        return file.with_name(f"{file.name}.pub").read_text(encoding="utf-8").split()[1]
    except (OSError, ValueError, IndexError):
        return ""
