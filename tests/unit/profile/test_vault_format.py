# SPDX-License-Identifier: GPL-3.0-or-later
"""A vault opens as Ansible opens it, and without Ansible."""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import pytest
from ansible.parsing.vault import VaultLib, VaultSecret

from provision.errors import UserError
from provision.profile.secrets import private_file, vault, vault_format

KEY = "Süße Bücher ".encode()


def opened_by_ansible(data: bytes) -> bytes | None:
    """Return what Ansible finds in a vault; None where it opens none."""
    try:
        return bytes(VaultLib([("default", VaultSecret(KEY))]).decrypt(data))
    except Exception:
        return None


@pytest.mark.parametrize("label", ["", "club", "dev"])
@pytest.mark.parametrize("length", [0, 1, 15, 16, 17, 31, 32, 4000])
def test_what_ansible_encrypts_is_opened(length: int, label: str) -> None:
    content = random.Random(length).randbytes(length)
    data = vault.encrypt_bytes(content, KEY, label)
    assert vault_format.is_vault(data)
    assert vault_format.open_vault(data, KEY) == content
    # As an editor or a mail may leave it.
    assert vault_format.open_vault(data.replace(b"\n", b"\r\n") + b"\n", KEY) == content


@pytest.mark.parametrize("password", [b"", KEY[:-1], KEY + b" ", b"wrong"])
def test_no_other_password_opens_it(password: bytes) -> None:
    data = vault.encrypt_bytes(b"canary", KEY)
    with pytest.raises(ValueError, match="wrong"):
        vault_format.open_vault(data, password)


def test_a_damaged_vault_is_refused_where_ansible_refuses_it() -> None:
    """A byte after another is changed, or the rest cut off."""
    data = vault.encrypt_bytes(b"canary " * 5, KEY, "club")
    opened = 0
    for at in sorted({*range(40), *random.Random(1).sample(range(len(data)), 60)}):
        for damaged in (data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :], data[:at]):
            theirs = opened_by_ansible(damaged)
            if not vault_format.is_vault(damaged):
                assert theirs is None
            else:
                assert vault.decrypt_bytes(damaged, KEY) == theirs, (at, damaged)
            opened += theirs is not None
    # The version and the vault id are no part of what is authenticated.
    assert 0 < opened < 30


@pytest.mark.parametrize(
    "data",
    [
        b"$ANSIBLE_VAULT",
        b"$ANSIBLE_VAULT;1.1",
        b"$ANSIBLE_VAULT;1.1;AES",
        b"$ANSIBLE_VAULT;1.1;AES256",
        b"$ANSIBLE_VAULT;1.1;AES256\n",
        b"$ANSIBLE_VAULT;1.1;AES256\n61\n",
        b"$ANSIBLE_VAULT;1.1;AES256\nno digits\n",
        b"$ANSIBLE_VAULT;1.1;AES256\n610a610a61\n",
    ],
)
def test_what_is_only_the_beginning_of_a_vault_is_refused(data: bytes, tmp_path: Path) -> None:
    assert opened_by_ansible(data) is None
    assert vault.decrypt_bytes(data, KEY) is None
    file = tmp_path / "secrets"
    private_file.write(file, data)
    with pytest.raises(UserError, match="or it is damaged"):
        vault.decrypt(file, KEY)


def test_secrets_are_opened_without_ansible(tmp_path: Path) -> None:
    file = tmp_path / "secrets"
    private_file.write(file, vault.encrypt("canary", KEY))
    script = (
        "import sys, pathlib; from provision.profile.secrets import vault; "
        f"print(vault.decrypt(pathlib.Path({str(file)!r}), {KEY!r}), 'ansible' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True)
    assert done.stdout == b"canary False\n"
