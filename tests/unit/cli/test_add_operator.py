# SPDX-License-Identifier: GPL-3.0-or-later
"""keys --add-operator: whose key it is, which boats take it, and what has to follow."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from provision.paths import argument
from tests.support.command import Call
from tests.support.profiles import contents


@pytest.fixture
def mate(tmp_path: Path) -> Path:
    """Give the public half of another person's pair."""
    command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "mate@bunk", "-f"]
    subprocess.run([*command, tmp_path / "mate"], check=True)
    return tmp_path / "mate.pub"


def test_it_says_whose_key_it_is_and_what_has_to_follow(
    call: Call, boats: Path, mate: Path
) -> None:
    told = subprocess.run(
        ["ssh-keygen", "-l", "-f", mate], capture_output=True, text=True, check=True
    )
    said = call("keys", "--add-operator", mate, "--boats", boats)
    assert said.status == 0
    assert f"{told.stdout.split()[1]} mate@bunk" in said.out
    assert "club.yml" in said.out
    assert "provision push --all --boats" in said.out
    said = call("keys", "--add-operator", mate, "--boats", boats)
    assert (said.status, "already" in said.out) == (0, True)


def test_of_boats_that_are_named(call: Call, boats: Path, mate: Path) -> None:
    said = call("keys", "dunlin", "--add-operator", mate, "--boats", boats)
    assert f"provision push {argument(boats / 'dunlin.yml')}" in said.out
    assert "dunlin.yml has its own list of keys now" in said.out
    made = call("keys", "--all", "--add-operator", mate, "--boats", boats, "--json").result
    assert made["key"] == str(boats / "mate.pub")
    assert made["boats"] == ["kittiwake", "turnstone"]
    assert made["changed"] == [str(boats / "club.yml")]
    assert made["fingerprints"][0].startswith("SHA256:")
    assert call("keys", "--all", "--boats", boats).status == 0
    for name in ("dunlin", "turnstone"):
        out = boats.parent / name
        assert call("render", name, "--boats", boats, "-o", out).status == 0
        assert (
            mate.read_text().split()[1] in (out / "tree/etc/ssh/authorized_keys/root").read_text()
        )


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--add-operator", "mate"], "private key"),
        (["--add-operator", "none.pub"], "cannot be read"),
        (["--add-operator", "mate.pub", "--show"], "two things"),
        (["--add-operator", "mate.pub", "--change-vault-password"], "two things"),
        (["gull", "--add-operator", "mate.pub"], "no boat gull"),
        (["dunlin", "--all", "--add-operator", "mate.pub"], "was named, too"),
    ],
)
def test_what_is_not_taken(
    call: Call,
    boats: Path,
    mate: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    told: str,
) -> None:
    monkeypatch.chdir(mate.parent)
    before = contents(boats)
    said = call("keys", *words, "--boats", boats, "--json")
    assert said.status == 2
    assert told in said.result["errors"][0]["message"]
    assert contents(boats) == before
