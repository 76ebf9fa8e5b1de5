# SPDX-License-Identifier: GPL-3.0-or-later
"""A key that a push has revoked lets nobody in again, also when the kept settings are damaged."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

from cryptography.hazmat.primitives.serialization import (
    Encoding,
    PublicFormat,
    load_ssh_private_key,
)

from provision.profile.secrets.keygen import generate_private_key
from tests.support.boats import Club, Virtual

BOAT = "kittiwake"

STORE = "/data/settings"


def with_key(club: Club, folder: Path, line: str) -> Club:
    """Return the same club, where the boat lets this key in as well."""
    copy = club.copy(folder)
    profile = copy.folder / f"{BOAT}.yml"
    keys = f'access: {{keys: [operator.pub, "{line}"]}}\n'
    profile.write_text(profile.read_text() + keys)
    return copy


def let_in(boat: Virtual, key: Path) -> bool:
    """Report whether the boat lets in who has this private key; it answers either way."""
    endpoint = boat.endpoint
    options = ["-oStrictHostKeyChecking=no", "-oUserKnownHostsFile=/dev/null", "-oBatchMode=yes"]
    done = subprocess.run(
        [
            *("ssh", "-F", "none", *options, "-oIdentitiesOnly=yes", "-oConnectTimeout=30"),
            *("-i", str(key), "-p", str(endpoint.port), f"root@{endpoint.host}", "true"),
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0 or "Permission denied" in done.stderr, done.stderr
    return done.returncode == 0


def test_a_revoked_key_stays_revoked_when_the_kept_settings_are_damaged(
    club: Club, launch: Callable[..., Virtual], tmp_path: Path
) -> None:
    key = tmp_path / "former"
    key.touch(0o600)
    key.write_text(generate_private_key())
    public = load_ssh_private_key(key.read_bytes(), password=None).public_key()
    line = public.public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode()
    boat = launch(BOAT)
    assert boat.push(with_key(club, tmp_path / "before", line), prove=False).succeeded
    assert let_in(boat, key)
    before = boat.status()["kept"]
    assert boat.push(prove=False).succeeded
    assert not let_in(boat, key)
    after = boat.status()["kept"]
    assert boat.ask(f"grep -l {before} {STORE}/* || true") == ""
    assert before not in boat.ask(f"ls {STORE}")
    boat.ask(f"echo damage >> {STORE}/{after}.tar; sync")
    boat.power_cycle()
    said = boat.chosen()
    assert (said["choice"], said["sha256"], said["degraded"]) == ("previous", after, True)
    assert not let_in(boat, key)
    assert boat.push(prove=False).succeeded
    status = boat.status()
    assert (status["kept_whole"], status["degraded"]) == (True, False)
