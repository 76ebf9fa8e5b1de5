# SPDX-License-Identifier: GPL-3.0-or-later
"""Ansible's own commands and a boat's secrets."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from provision.profile.secrets import keygen, private_file, store, vault
from tests.support.profiles import kittiwake

KEY = b"correct horse"

__all__ = ["kittiwake"]


def test_ansible_vault_reads_it(kittiwake: Path) -> None:
    keygen.make_keys(kittiwake, KEY)
    private_file.write(kittiwake.parent / vault.PASSWORD_FILE, KEY + b"\n")
    done = subprocess.run(
        [
            Path(sys.executable).with_name("ansible-vault"),
            "view",
            "--vault-password-file",
            kittiwake.parent / vault.PASSWORD_FILE,
            store.secrets_path(kittiwake),
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    assert store.read(kittiwake, KEY).pass_phrase in done.stdout


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"ANSIBLE_HOME": "/proc/nowhere"}, "Unable to create local directories"),
    ],
)
def test_an_ansible_that_does_not_start(
    kittiwake: Path, settings: dict[str, str], said: str
) -> None:
    """The command runs in a process of its own, since Ansible is imported once."""
    private_file.write(kittiwake.parent / vault.PASSWORD_FILE, KEY)
    done = subprocess.run(
        [sys.executable, "-m", "provision", "keys", "kittiwake", "--boats", "."],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), **settings},
        cwd=kittiwake.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert f"Ansible does not start: {said}" in done.stderr
    assert "ANSIBLE_HOME" in done.stderr
    assert "Traceback" not in done.stderr
