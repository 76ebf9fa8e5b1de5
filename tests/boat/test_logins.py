# SPDX-License-Identifier: GPL-3.0-or-later
"""Logging in takes one of the profile's keys; there is no password anywhere."""

from __future__ import annotations

from typing import Any

import pytest

from provision.push.suite import Answer


@pytest.fixture(scope="module")
def facts(aboard: Any) -> dict[str, Answer]:
    return aboard(
        {
            "sshd": ["sshd", "-T", "-C", "user=root,host=boat,addr=127.0.0.1"],
            "shadow": ["cut", "--delimiter=:", "--fields=1,2", "/etc/shadow"],
        }
    )


@pytest.fixture(scope="module")
def sshd(facts: dict[str, Answer]) -> dict[str, str]:
    return dict(line.split(" ", 1) for line in facts["sshd"].ok().lines if " " in line)


def test_no_password_over_ssh(sshd: dict[str, str]) -> None:
    assert sshd["passwordauthentication"] == "no"
    assert sshd["kbdinteractiveauthentication"] == "no"
    assert sshd["permitrootlogin"] in ("prohibit-password", "without-password")
    assert sshd["authenticationmethods"] in ("any", "publickey")


def test_no_password_is_set(facts: dict[str, Answer]) -> None:
    """No account has a hash that a password could match, nor an empty one (shadow(5))."""
    accounts = [line.split(":") for line in facts["shadow"].ok().lines]
    assert [name for name, word in accounts if not word.startswith(("!", "*"))] == []


def test_keys(aboard: Any, sshd: dict[str, str], profile: dict[str, Any]) -> None:
    """Exactly the profile's keys open the door, as root and as nobody else."""
    assert sshd.get("authorizedkeyscommand", "none") == "none"
    assert sshd.get("trustedusercakeys", "none") == "none"
    places = sshd["authorizedkeysfile"].split()
    files = [place if place.startswith("/") else f"/root/{place}" for place in places]
    files = [file.replace("%h", "/root").replace("%u", "root") for file in files]
    found = aboard({file: ["cat", file] for file in files})
    lines = [line for answer in found.values() if answer.status == 0 for line in answer.lines]
    keys = {tuple(line.split()[:2]) for line in lines if not line.startswith("#")}
    assert keys == {tuple(key.split()[:2]) for key in profile["access"]["keys"]}
