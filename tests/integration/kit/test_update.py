# SPDX-License-Identifier: GPL-3.0-or-later
"""A kit is brought up to date: only what differs is written, and what is gone goes."""

from __future__ import annotations

import gzip
import os
import subprocess
from pathlib import Path

import pytest

from provision.card.base.base import write_digests
from provision.card.layout.filesystems import make_fat
from provision.errors import UserError
from provision.kit import check_target, contents, write_kit
from provision.kit import write as writing
from provision.profile.secrets import store, vault
from provision.push.records.written_cards import record_path
from tests.support.boats import Club
from tests.support.command import Call
from tests.support.kit_rig import BOATS, CANARY, PASSWORD, back_up, make_club


@pytest.fixture
def club(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Club:
    """Give the example club. A kit's tool and programs are a few bytes, which no test here runs."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(contents, "list_code", lambda: {})
    monkeypatch.setattr(contents, "list_programs", lambda: {})
    club = make_club(tmp_path / "boats")
    for base in (tmp_path / "cache/provision/bases").iterdir():
        # Small, so that tests are fast; with the digest of what it is now.
        os.truncate(base / "boot.fat", 2**20)
        write_digests(base)
    return club


def make(call: Call, club: Club, kit: Path, *words: object, status: int = 0) -> str:
    said = call("kit", kit, "--boats", club.folder, *words)
    assert said.status == status, said.err
    return said.out + said.err


def listed(kit: Path) -> set[str]:
    return {path.relative_to(kit).as_posix() for path in kit.rglob("*") if path.is_file()}


def intact(kit: Path) -> bool:
    """Tell whether sha256sum(1) finds each file of the list, and the list each file."""
    command = ["sha256sum", "-c", "--quiet", "--strict", "SHA256SUMS"]
    done = subprocess.run(command, cwd=kit, capture_output=True, check=False)
    lines = (kit / "SHA256SUMS").read_text().splitlines()
    return done.returncode == 0 and {line[66:] for line in lines} | {"SHA256SUMS"} == listed(kit)


def test_a_second_run_writes_nothing(call: Call, club: Club, tmp_path: Path) -> None:
    kit = tmp_path / "kit"
    make(call, club, kit)
    assert intact(kit)
    before = {name: (kit / name).stat().st_mtime_ns for name in listed(kit)}
    assert " 0 files written" in make(call, club, kit)
    assert before == {name: (kit / name).stat().st_mtime_ns for name in listed(kit)}


def test_what_changed_is_written_and_what_is_gone_goes(
    call: Call,
    club: Club,
    tmp_path: Path,
) -> None:
    kit = tmp_path / "kit"
    make(call, club, kit)
    (kit / "my own.txt").write_text("stays")
    with (club.folder / "kittiwake.yml").open("a") as profile:
        profile.write("# a note\n")
    # The profile, and the list of digests of profiles, and that of all.
    assert " 3 files written" in make(call, club, kit)
    make(call, club, kit, "kittiwake")
    assert not [name for name in listed(kit) if "dunlin" in name or "arm64" in name]
    assert (kit / "my own.txt").read_text() == "stays"
    (kit / "my own.txt").unlink()
    assert intact(kit)


def test_a_damaged_file_is_made_whole(call: Call, club: Club, tmp_path: Path) -> None:
    kit = tmp_path / "kit"
    make(call, club, kit)
    (base,) = kit.glob("bases/amd64-*/base.squashfs")
    with base.open("r+b") as stream:
        stream.write(b"\xff")
    assert not intact(kit)
    assert " 1 files written" in make(call, club, kit)
    assert intact(kit)


def test_a_folder_that_is_no_kit_stays_as_it_is(call: Call, club: Club, tmp_path: Path) -> None:
    folder = tmp_path / "photographs"
    folder.mkdir()
    (folder / "one.jpg").write_text("a gull")
    assert "is no kit" in make(call, club, folder, status=2)
    assert listed(folder) == {"one.jpg"}
    (folder / "one.jpg").rename(folder / "System Volume Information")
    make(call, club, folder)


def test_a_full_stick_leaves_the_former_kit(
    call: Call,
    club: Club,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    kit = tmp_path / "kit"
    make(call, club, kit, "kittiwake")
    former = listed(kit)
    real = writing._write_beside

    def full(file: Path, source: object) -> None:
        if file.name == "dunlin.yml":
            file.with_name(file.name + writing.SUFFIX).write_bytes(b"half")
            raise OSError(28, "No space left on device")
        real(file, source)

    monkeypatch.setattr(writing, "_write_beside", full)
    said = make(call, club, kit, status=2)
    assert "there is no room" in said and "the former kit is as it was" in said
    assert intact(kit) and listed(kit) == former


def test_too_little_room_is_said_before_anything_is_written(
    call: Call,
    club: Club,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(
        writing.shutil, "disk_usage", lambda _: type("Usage", (), {"free": 5_000_000})
    )
    said = make(call, club, tmp_path / "kit", status=2)
    assert "MB more are needed" in said
    assert not listed(tmp_path / "kit")


def test_what_was_changed_in_the_kit_is_not_given_up_silently(
    call: Call,
    club: Club,
    tmp_path: Path,
) -> None:
    kit = tmp_path / "kit"
    make(call, club, kit)
    record = kit / "boats" / record_path(club.folder / "kittiwake.yml").name
    record.write_text("[]\n")
    with (kit / "SHA256SUMS").open("a") as sums:
        sums.write(f"{writing._digest(record)}  boats/{record.name}\n")
    assert record.name in make(call, club, kit, status=2)
    make(call, club, kit, "--replace")
    assert not record.exists() and intact(kit)


def test_a_base_that_is_not_built_is_named_with_the_command(
    call: Call,
    club: Club,
    tmp_path: Path,
) -> None:
    (base,) = (tmp_path / "cache/provision/bases").glob("amd64-*")
    (base / "base.squashfs").write_bytes(b"damaged")
    assert "damaged" in make(call, club, tmp_path / "kit", status=2)
    base.rename(tmp_path / "elsewhere")
    said = make(call, club, tmp_path / "kit", status=2)
    assert "the base of kittiwake is not built" in said
    assert "kittiwake.yml -o kittiwake.img" in said


def secrets(club: Club) -> list[bytes]:
    """List what no kit may hold unless it is asked for."""
    found = [PASSWORD.encode(), (club.folder / "operator").read_bytes(), CANARY]
    for name in BOATS:
        opened = club.open_boat(name).secrets
        found += [opened.pass_phrase.encode(), opened.host_key.encode()]
    return found


def test_no_secret_is_in_it(
    club: Club, tmp_path: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.undo()
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    back_up(club.folder)
    kit = tmp_path / "kit"
    make(call, club, kit)
    assert "boats/backup/kittiwake/log" in str(sorted(listed(kit)))
    for name in listed(kit):
        data = (kit / name).read_bytes()
        data += gzip.decompress(data) if name.endswith(".tar.gz") else b""
        assert not [one for one in secrets(club) if one.strip() in data], name
    make(call, club, kit, "--without-backups")
    assert not (kit / "boats/backup").exists()


def test_password_and_operators_key_come_when_they_are_named(
    call: Call,
    club: Club,
    tmp_path: Path,
) -> None:
    kit = tmp_path / "kit"
    make(call, club, kit, "--with-vault-password", "--with-operator-key")
    assert (kit / "vault-password").read_text() == f"{PASSWORD}\n"
    assert (kit / "boats/operator").read_bytes() == (club.folder / "operator").read_bytes()
    assert "this stick has the vault password" in (kit / "README.txt").read_text()
    make(call, club, kit)
    assert not (kit / "vault-password").exists() and not (kit / "boats/operator").exists()


def test_a_wrong_vault_password_does_not_come(call: Call, club: Club, tmp_path: Path) -> None:
    (club.folder / vault.PASSWORD_FILE).write_text("another\n")
    kit = tmp_path / "kit"
    assert "does not open" in make(call, club, kit, "--with-vault-password", status=2)


def test_secrets_in_the_clear_are_refused(call: Call, club: Club, tmp_path: Path) -> None:
    store.secrets_path(club.folder / "dunlin.yml").write_text("pass_phrase: open\n")
    assert "is not encrypted" in make(call, club, tmp_path / "kit", status=2)


def test_a_kit_makes_no_kit(
    call: Call,
    club: Club,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("PROVISION_KIT", "/media/stick")
    assert "makes no other kit" in make(call, club, tmp_path / "kit", status=2)


def test_names_that_a_stick_cannot_hold_are_refused(tmp_path: Path) -> None:
    check_target(tmp_path / "kit")
    for names in (("a:b",), ("end.",), ("x" * 256,), ("boats/a.yml", "boats/A.yml")):
        with pytest.raises(UserError):
            write_kit(tmp_path / "kit", dict.fromkeys(names, b"x"))
    assert not listed(tmp_path / "kit")


def test_a_stick_that_is_pulled_out_at_the_end_is_said_to_hold_no_whole_kit(
    call: Call, club: Club, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kit = tmp_path / "kit"
    make(call, club, kit, "kittiwake")
    (club.folder / "kittiwake.yml").write_text(
        (club.folder / "kittiwake.yml").read_text() + "# a note\n"
    )

    def pulled(_: Path) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(writing, "sync_folder", pulled)
        assert "the kit is not whole" in make(call, club, kit, "kittiwake", status=2)
    assert not intact(kit)
    make(call, club, kit, "kittiwake")
    assert intact(kit)


def test_a_fat_file_system_holds_a_kit(call: Call, club: Club, tmp_path: Path) -> None:
    kit, stick, back = tmp_path / "kit", tmp_path / "stick", tmp_path / "back"
    back_up(club.folder)
    make(call, club, kit)
    make_fat(stick, 2**27, 1, "KIT", 1_770_000_000)
    for command in (
        ["mcopy", "-s", "-i", stick, *sorted(kit.iterdir()), "::"],
        ["mcopy", "-s", "-n", "-i", stick, "::", back],
    ):
        back.mkdir(exist_ok=True)
        subprocess.run(command, check=True)
    assert listed(back) == listed(kit)
    assert intact(back)
