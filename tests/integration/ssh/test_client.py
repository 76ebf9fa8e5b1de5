# SPDX-License-Identifier: GPL-3.0-or-later
"""A connection in this process is to the boat and no other machine, and takes bounded bytes."""

from __future__ import annotations

import logging
import os
import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import paramiko
import pytest

from provision.errors import UserError
from provision.profile.secrets.keygen import generate_private_key
from provision.profile.secrets.store import Secrets, host_public_key
from provision.push.plan import ssh_target_of
from provision.ssh import client
from provision.ssh.client import BoundedSocket, connect
from provision.ssh.endpoint import Endpoint, SshTarget
from tests.support.push.loopback import RigBoat, free_port


@pytest.fixture(scope="module")
def boat(rig: Callable[..., RigBoat]) -> RigBoat:
    return rig("ours")


@pytest.fixture
def target(boat: RigBoat) -> SshTarget:
    return ssh_target_of(boat.open_boat, {"ours": boat.endpoint})


def said(transport: paramiko.Transport, command: str) -> bytes:
    with closing(transport.open_session()) as channel:
        channel.exec_command(command)
        return channel.recv(1024)


def refusal(target: SshTarget) -> str:
    with pytest.raises(UserError) as error, connect(target):
        pass
    return str(error.value)


def test_the_boats_key_and_the_operators_key_open_it(target: SshTarget) -> None:
    with connect(target) as transport:
        assert said(transport, "echo aboard") == b"aboard\n"
        assert transport.remote_version.startswith("SSH-2.0-OpenSSH")
    assert not transport.is_active()


def test_no_agent_is_forwarded(target: SshTarget, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SSH_AUTH_SOCK", "/none")
    with connect(target) as transport:
        assert said(transport, 'echo "agent: $SSH_AUTH_SOCK"') == b"agent: \n"


def test_another_machine_is_refused_before_the_login(target: SshTarget) -> None:
    other = replace(target, host_key=public(generate_private_key()))
    assert "another machine answers at 127.0.0.1" in refusal(other)


def public(private: str) -> str:
    """Return the public key of a private one, as OpenSSH writes it."""
    return host_public_key(Secrets(pass_phrase="any words", host_key=private))


def test_keys_from_before_a_rotation(target: SshTarget) -> None:
    fresh = public(generate_private_key())
    former = replace(target, host_key=fresh, former_keys=(target.host_key,))
    with connect(former) as transport:
        assert said(transport, "echo aboard") == b"aboard\n"
    dropped = replace(target, host_key=fresh, dropped_keys=(target.host_key,))
    assert "from before it was rotated" in refusal(dropped)
    assert "give --former-key" in refusal(dropped)
    stolen = replace(target, host_key=fresh, stolen_keys=(target.host_key,))
    assert "of a card of ours's that was lost or stolen" in refusal(stolen)


def test_a_machine_without_a_key_of_the_pinned_kind_is_another(target: SshTarget) -> None:
    kind = "ecdsa-sha2-nistp256 AAAA"
    assert "another machine answers" in refusal(replace(target, host_key=kind))


def test_a_laptop_without_the_operators_key(
    target: SshTarget, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SSH_AUTH_SOCK", "/none")
    monkeypatch.setenv("HOME", str(tmp_path))
    key = tmp_path / "operator"
    key.write_text(generate_private_key())
    assert "ours does not let you in" in refusal(replace(target, identity=key))
    # Without one of the boat's, the user's own are offered.
    assert "ours does not let you in" in refusal(replace(target, identity=None))
    assert target.identity is not None
    (tmp_path / ".ssh").mkdir()
    shutil.copy(target.identity, tmp_path / ".ssh/id_ed25519")
    with connect(replace(target, identity=None)) as transport:
        assert said(transport, "echo aboard") == b"aboard\n"


@contextmanager
def agent(folder: Path, key: Path) -> Iterator[str]:
    """Give an agent that holds a key, whose file has a pass-phrase."""
    path = str(folder / "agent")
    with subprocess.Popen(["ssh-agent", "-D", "-a", path], stdout=subprocess.DEVNULL) as process:
        try:
            while not os.path.exists(path):
                assert process.poll() is None
            subprocess.run(
                ["ssh-add", "-q", key], env={**os.environ, "SSH_AUTH_SOCK": path}, check=True
            )
            yield path
        finally:
            process.terminate()


def test_an_operators_key_with_a_pass_phrase_is_the_agents(
    target: SshTarget, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert target.identity is not None
    key = tmp_path / "operator"
    shutil.copy(target.identity, key)
    shutil.copy(target.identity.with_name("operator.pub"), tmp_path / "operator.pub")
    with agent(tmp_path, key) as path:
        monkeypatch.setenv("SSH_AUTH_SOCK", path)
        subprocess.run(["ssh-keygen", "-q", "-p", "-N", "secret words", "-f", key], check=True)
        with connect(replace(target, identity=key)) as transport:
            assert said(transport, "echo aboard") == b"aboard\n"
    monkeypatch.setenv("SSH_AUTH_SOCK", "/none")
    assert "does not let you in" in refusal(replace(target, identity=key))


def test_nothing_answers(target: SshTarget) -> None:
    nobody = replace(target, endpoints=(Endpoint("127.0.0.1", free_port()),))
    assert "ours does not answer at 127.0.0.1" in refusal(nobody)
    nowhere = replace(target, endpoints=(Endpoint("no-such-host.invalid"),))
    assert "finds no machine by the name no-such-host.invalid" in refusal(nowhere)


@pytest.mark.parametrize("flood", [b"x" * 100, b"banner\r\n", b"SSH-2.0-x\r\n\xff\xff\xff\xff"])
def test_a_machine_that_sends_without_end_is_left(
    target: SshTarget,
    flood: bytes,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(client, "CONNECT_TIMEOUT_S", 3)
    monkeypatch.setattr(client, "MAX_RECEIVED_BYTES", 2**16)
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            channel, _ = server.accept()
            with channel:
                try:
                    while True:
                        channel.sendall(flood)
                except OSError:
                    return

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        away = replace(target, endpoints=(Endpoint("127.0.0.1", server.getsockname()[1]),))
        assert "does not speak SSH to the end" in refusal(away)
        thread.join(5)
        assert not thread.is_alive()
    assert capfd.readouterr().err == ""
    assert not logging.getLogger("paramiko").propagate


def test_the_bound_counts_every_byte() -> None:
    near, far = socket.socketpair()
    with far, BoundedSocket(near, 10) as bounded:
        far.sendall(b"x" * 20)
        assert bounded.recv(10) == b"x" * 10
        with pytest.raises(EOFError):
            bounded.recv(10)
