# SPDX-License-Identifier: GPL-3.0-or-later
"""The shell completes commands, and the boats of the folder."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from provision.profile.scaffold import create_club


def complete(words: str, folder: Path) -> list[str]:
    """Ask as bash does, behind the last word; Typer's own protocol for that."""
    asked = os.environ | {
        "_PROVISION_COMPLETE": "complete_bash",
        "COMP_WORDS": words,
        "COMP_CWORD": str(len(words.split(" ")) - 1),
    }
    command = [sys.executable, "-P", "-c", "from provision.cli import main; main()"]
    done = subprocess.run(
        command, env=asked, cwd=folder, capture_output=True, text=True, check=False
    )
    return done.stdout.split()


@pytest.fixture
def club(tmp_path: Path) -> Path:
    boats = tmp_path / "boats"
    boats.mkdir()
    (boats / "kittiwake.yml").write_text("boat: kittiwake\n")
    (boats / "knot.yml").write_text("includes: [club.yml]\nboat: knot\n")
    (boats / "keys.yml").write_text("board: x86-64\n")
    (boats / "kittiwake.secrets.yml").write_text("boat: kittiwake\n")
    return tmp_path


def test_commands_are_completed(tmp_path: Path) -> None:
    assert complete("provision ch", tmp_path) == ["check"]


def test_boats_are_completed_and_what_is_no_boat_is_not(club: Path) -> None:
    assert complete("provision check k", club) == ["kittiwake", "knot"]


def test_boats_of_another_folder_are_completed(club: Path, tmp_path: Path) -> None:
    assert complete(f"provision check --boats {club / 'boats'} kn", tmp_path) == ["knot"]


def test_a_boat_is_completed_wherever_one_is_named(club: Path) -> None:
    (club / "knot.img").touch()
    assert complete("provision bench k", club) == ["kittiwake", "knot", "knot.img"]
    assert complete("provision push --first kn", club) == ["knot"]


def test_secrets_are_completed(tmp_path: Path) -> None:
    """The boat named before gives the names of its tablets."""
    create_club(tmp_path / "boats")
    file = tmp_path / "boats" / "dunlin.yml"
    own = '  tablets: {chart-table: {mac: "02:00:00:12:34:56", own_pass_phrase: true}}'
    file.write_text(file.read_text().replace("network:\n", f"network:\n{own}\n"))
    rotate = complete("provision keys dunlin --rotate ", tmp_path)
    assert rotate == ["pass_phrase", "host_key", "chart-table"]
    assert complete("provision keys dunlin --set c", tmp_path) == ["chart-table"]
    assert complete("provision keys --rotate h", tmp_path) == ["host_key"]
