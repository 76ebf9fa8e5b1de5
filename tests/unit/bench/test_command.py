# SPDX-License-Identifier: GPL-3.0-or-later
"""The command: what it says of a boat that was booted, and which cards it does not boot."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from provision.bench import bench as module
from provision.bench.qemu import build, machine
from provision.boards import board

# Whole, before a test replaces a part of it: a command imports what it needs when it runs.
from provision.card.image import assemble  # noqa: F401
from provision.card.image import identity as card_image
from provision.cli import bench as command
from provision.cli import main
from provision.errors import UserError

#: What the card's own boot partition says of it.
CARD = {"boat": "kittiwake", "board": "x86-64", "settings": "1" * 64}


class Bench:
    """Stands for a boat that starts at once. `lines` are what its tablet hears."""

    lines: tuple[str, ...] = ()
    talks = True

    def __init__(self, *_: object, hull: object, instruments: bool, seed: int) -> None:
        pass

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def join(self) -> dict[str, Any]:
        return {"address": "10.47.1.102/24"}

    def read(self, seconds: float, lines: int) -> dict[str, Any]:
        return {"lines": list(self.lines), "first": None}


@pytest.fixture
def card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a file that passes for the boat's card."""
    image = tmp_path / "kittiwake.img"
    image.touch()
    known = SimpleNamespace(
        boat=SimpleNamespace(name="kittiwake", profile=None, file=Path("a b/kittiwake.yml")),
        board=board("x86-64"),
        secrets=None,
        render=lambda: SimpleNamespace(sha256="1" * 64),
    )
    monkeypatch.setattr(card_image, "read_boat_name", lambda _: "kittiwake")
    monkeypatch.setattr(card_image, "check_parts", lambda _: None)
    monkeypatch.setattr(command, "open_boat", lambda *_: known)
    monkeypatch.setattr(module, "Bench", Bench)
    says(monkeypatch)
    return image


def says(monkeypatch: pytest.MonkeyPatch, **other: str) -> None:
    """Let the card say other things of itself."""
    monkeypatch.setattr(card_image, "read_identity", lambda _: CARD | other)


def ended(monkeypatch: pytest.MonkeyPatch, *words: str | Path) -> object:
    """Return the exit status of `provision bench`."""
    monkeypatch.setattr(sys, "argv", ["provision", "bench", *map(str, words)])
    with pytest.raises(SystemExit) as exit:
        main()
    return exit.value.code or 0


@pytest.mark.parametrize(
    ("lines", "talks", "status"),
    [(("$GPGLL",), True, 0), ((), True, 1), ((), False, 0)],
    ids=["heard", "silent", "nobody talks"],
)
def test_it_passes_when_the_tablet_hears_every_instrument(
    lines: tuple[str, ...],
    talks: bool,
    status: int,
    card: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(Bench, "lines", lines)
    monkeypatch.setattr(Bench, "talks", talks)
    assert ended(monkeypatch, card, "--json") == status
    assert json.loads(capsys.readouterr().out)["sentences"] == list(lines)
    assert ended(monkeypatch, card) == status
    assert capsys.readouterr().out.splitlines() == list(lines)


def test_a_card_for_another_board_is_not_booted(
    card: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The boat would not start, and the bench would not say why."""
    says(monkeypatch, board="bcm2711-rpi-4-b")
    assert ended(monkeypatch, card, "--json") == 2
    (error,) = json.loads(capsys.readouterr().out)["errors"]
    assert "for the board bcm2711-rpi-4-b, the profile's is x86-64" in error["message"]
    assert (error["file"], "provision card 'a b/kittiwake.yml' -o" in error["hint"]) == (
        str(card),
        True,
    )


def test_all_missing_programs_are_reported_at_once(
    card: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Before anything is built."""

    def find(program: str) -> str:
        raise UserError(f"the program {program} is not installed")

    monkeypatch.setattr(build, "find", find)
    monkeypatch.setattr(machine, "_CODE", tmp_path / "none")
    assert ended(monkeypatch, card, "--json") == 2
    errors = json.loads(capsys.readouterr().out)["errors"]
    assert [error["message"] for error in errors] == [
        "the program qemu-img is not installed",
        "the program qemu-system-x86_64 is not installed",
        "there is no UEFI firmware here",
    ]


@pytest.mark.parametrize(("settings", "told"), [("1" * 64, False), ("2" * 64, True)])
def test_a_card_with_other_settings_is_reported(
    settings: str,
    told: bool,
    card: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A tablet that does not join may only not know the SSID of the card."""
    says(monkeypatch, settings=settings)
    ended(monkeypatch, card)
    assert ("the card has other settings" in capsys.readouterr().err) == told
