# SPDX-License-Identifier: GPL-3.0-or-later
"""Logging in takes one of the profile's keys; there is no password anywhere."""

from __future__ import annotations

from typing import Any

import pytest

from provision.verify.job import Answers, Command, Job, same

#: Prints every file that holds keys for root; sshd takes names without / as below its home.
KEYS = """
cd /root
files=$(sshd -T | sed -n 's/^authorizedkeysfile //p' | sed 's,%h,/root,g; s,%u,root,g')
for file in $files; do [ ! -e "$file" ] || cat "$file"; done
"""


def commands(_: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    return {
        "sshd": ["sshd", "-T", "-C", "user=root,host=boat,addr=127.0.0.1"],
        "shadow": ["cut", "--delimiter=:", "--fields=1,2", "/etc/shadow"],
        "keys": ["sh", "-c", KEYS],
    }


@pytest.fixture(scope="module")
def sshd(facts: Answers) -> dict[str, str]:
    return dict(line.split(" ", 1) for line in facts["sshd"].ok().lines if " " in line)


def test_no_password_over_ssh(sshd: dict[str, str]) -> None:
    same(sshd["passwordauthentication"], "no", "sshd's PasswordAuthentication")
    same(sshd["kbdinteractiveauthentication"], "no", "sshd's KbdInteractiveAuthentication")
    root = sshd["permitrootlogin"]
    assert root in ("prohibit-password", "without-password"), f"sshd's PermitRootLogin is {root}"
    methods = sshd["authenticationmethods"]
    assert methods in ("any", "publickey"), f"sshd's AuthenticationMethods is {methods}"


def test_no_password_is_set(facts: Answers) -> None:
    """No account has a hash that a password could match, nor an empty one (shadow(5))."""
    accounts = [line.split(":") for line in facts["shadow"].ok().lines]
    open_ = [name for name, word in accounts if not word.startswith(("!", "*"))]
    assert open_ == [], f"accounts with a password: {', '.join(open_)}"


def test_keys(facts: Answers, sshd: dict[str, str], profile: dict[str, Any]) -> None:
    """Exactly the profile's keys open the door, as root and as nobody else."""
    same(sshd.get("authorizedkeyscommand", "none"), "none", "sshd's AuthorizedKeysCommand")
    same(sshd.get("trustedusercakeys", "none"), "none", "sshd's TrustedUserCAKeys")
    lines = [line for line in facts["keys"].lines if not line.startswith("#")]
    keys = {tuple(line.split()[:2]) for line in lines}
    wanted = {tuple(key.split()[:2]) for key in profile["access"]["keys"]}
    said = f"{len(keys - wanted)} keys let in that the profile does not name, "
    assert keys == wanted, f"{said}{len(wanted - keys)} missing"
