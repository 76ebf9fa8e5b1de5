# SPDX-License-Identifier: GPL-3.0-or-later
"""An endpoint is written and read in one form, and the boat's identity is pinned there."""

from __future__ import annotations

import pwd
import subprocess
from pathlib import Path

import pytest

from provision import commands
from provision.commands import find
from provision.errors import UserError
from provision.push.plan import resolve_targets
from provision.ssh.endpoint import (
    Endpoint,
    SshTarget,
    arguments,
    config_file,
    fingerprint,
    parse_at,
)

KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIJ0t4bC1n0o3V0gq0m2b8x7xkq2q9k8m9wq8l3n2b1c0"
REACH = SshTarget("kittiwake", (Endpoint("10.47.1.1"),), KEY)


@pytest.mark.parametrize(
    ("text", "endpoint"),
    [
        ("kittiwake=127.0.0.1:2222", Endpoint("127.0.0.1", 2222)),
        ("kittiwake=boat.example", Endpoint("boat.example", 22)),
        ("kittiwake=[fd00::1]:2222", Endpoint("fd00::1", 2222)),
        ("kittiwake=[fd00::1]", Endpoint("fd00::1", 22)),
    ],
)
def test_at(text: str, endpoint: Endpoint) -> None:
    assert parse_at([text]) == {"kittiwake": endpoint}


@pytest.mark.parametrize(
    "text",
    ["127.0.0.1:2222", "kittiwake=", "kittiwake=a:0", "kittiwake=a:65536", "kittiwake=-oProxy=x"],
)
def test_at_that_names_no_place(text: str) -> None:
    with pytest.raises(UserError, match="does not say where"):
        parse_at([text])


def effective(*arguments: str) -> dict[str, str]:
    """Return what ssh itself makes of the arguments."""
    done = subprocess.run(
        [find("ssh"), "-G", *arguments, "10.47.1.1"], capture_output=True, text=True, check=True
    )
    return dict(line.partition(" ")[::2] for line in done.stdout.splitlines())


def test_ssh_understands_the_options(tmp_path: Path) -> None:
    """The folder may have any name."""
    folder = tmp_path / 'a "b" 100%C'
    folder.mkdir()
    options = REACH.options(folder)
    config = tmp_path / "config"
    config.write_text(config_file(options))
    for given in (["-F", "none", *arguments(options)], ["-F", str(config)]):
        seen = effective(*given)
        assert seen["hostkeyalias"] == "kittiwake"
        assert seen["stricthostkeychecking"] == "true"
        assert seen["userknownhostsfile"] == f"{folder}/known_hosts"
        assert seen["passwordauthentication"] == "no" or seen["batchmode"] == "yes"


def test_only_the_operators_key_is_offered(tmp_path: Path) -> None:
    """Too many keys of an agent's would have sshd hang up before the right one."""
    identity = tmp_path / "key"
    target = SshTarget("kittiwake", (Endpoint("10.47.1.1"),), KEY, identity)
    seen = effective("-F", "none", *arguments(target.options(tmp_path)))
    assert seen["identitiesonly"] == "yes"
    assert seen["identityfile"] == str(tmp_path / "operator")


def test_the_key_is_pinned_to_the_name() -> None:
    assert REACH.known_hosts() == f"kittiwake {KEY}\n"


def test_a_fingerprint_is_what_ssh_prints(tmp_path: Path) -> None:
    (tmp_path / "key.pub").write_text(KEY + "\n")
    done = subprocess.run(
        ["ssh-keygen", "-l", "-f", tmp_path / "key.pub"], capture_output=True, text=True, check=True
    )
    assert done.stdout.split()[1] == fingerprint(KEY)


# --- what it takes on this computer -----------------------------------------------------


def test_without_ssh_no_boat_is_asked(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Ansible would only say that it cannot execute a command line on a controller."""
    monkeypatch.setattr(commands, "search_path", lambda: str(tmp_path))
    with pytest.raises(UserError, match="program ssh is not installed") as caught:
        resolve_targets([], {})
    assert caught.value.hint == "sudo apt-get install openssh-client"


def test_a_user_without_a_name_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """So it is in a container that runs as any number: ssh refuses, and getpass has no name."""

    def unknown(number: int) -> None:
        raise KeyError(number)

    monkeypatch.setattr(pwd, "getpwuid", unknown)
    with pytest.raises(UserError, match="has no name on this computer") as caught:
        resolve_targets([], {})
    assert "/etc/passwd" in caught.value.hint
