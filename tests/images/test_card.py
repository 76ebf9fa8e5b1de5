# SPDX-License-Identifier: GPL-3.0-or-later
"""A card as a file: what is on it, that it is repeatable, and that nothing half-made is left."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from provision.boards import board
from provision.card.base.base import Base
from provision.card.base.cache import get_base
from provision.card.base.recipe import Recipe
from provision.card.device.block_devices import find_device
from provision.card.device.write import write_card
from provision.card.image.assemble import assemble
from provision.card.image.identity import read_identity
from provision.card.layout.partitions import Layout, Partition
from provision.commands import find, run
from provision.errors import UserError
from tests.support.boats import Club


@pytest.fixture(scope="module")
def system() -> Base:
    """Give the x86-64 base, built when the cache has none."""
    return get_base(board("x86-64"))


def provision(*words: object, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command as a user runs it."""
    return subprocess.run(
        [sys.executable, "-m", "provision", *map(str, words)],
        env={**os.environ, **environment},
        cwd="/",
        capture_output=True,
        text=True,
        check=False,
    )


def digest(file: Path) -> str:
    """SHA-256 of a file."""
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def extract(image: Path, partition: Partition, to: Path) -> Path:
    """Copy one partition of a card into a file of its own."""
    with image.open("rb") as card, to.open("wb") as out:
        card.seek(partition.offset)
        left = partition.size
        while left:
            piece = card.read(min(left, 1 << 20))
            out.write(piece) if piece.strip(b"\0") else out.seek(len(piece), os.SEEK_CUR)
            left -= len(piece)
        out.truncate()
    return to


def test_same_inputs_give_the_same_bytes(club: Club, system: Base, tmp_path: Path) -> None:
    """At another time, in another zone, with another umask, from another folder."""
    first = club.card("kittiwake")
    second = tmp_path / "other folder" / "card.img"
    second.parent.mkdir()
    before = os.umask(0o077)
    try:
        done = provision(
            "card", "kittiwake", "--boats", club.folder, "-o", second, TZ="Asia/Kathmandu"
        )
    finally:
        os.umask(before)
    assert done.returncode == 0, done.stderr
    assert digest(first) == digest(second)


def test_another_boat_gives_another_card(club: Club, system: Base, tmp_path: Path) -> None:
    """Two boats' cards in one machine must not answer to the same identifiers."""
    one = Layout("gpt", club.open_boat("kittiwake").render().sha256)
    other = Layout("gpt", "0" * 64)
    assert {p.partuuid for p in one.partitions}.isdisjoint(p.partuuid for p in other.partitions)


def test_nobody_else_may_read_it(club: Club, system: Base) -> None:
    """The card holds the host key and the Wi-Fi key."""
    assert club.card("kittiwake").stat().st_mode & 0o777 == 0o600


def test_tables_and_file_systems_are_sound(club: Club, system: Base, tmp_path: Path) -> None:
    """Each program judges its own: sfdisk, fsck.fat, e2fsck, unsquashfs."""
    image = club.card("kittiwake")
    layout = Layout("gpt", club.open_boat("kittiwake").render().sha256)
    assert "No errors detected" in run("sfdisk", "--verify", image).stdout
    run("fsck.fat", "-n", extract(image, layout.boot, tmp_path / "boot"))
    data = extract(image, layout.data, tmp_path / "data")
    run("e2fsck", "-f", "-n", data)
    run("unsquashfs", "-s", extract(image, layout.base, tmp_path / "base-a"))
    kept = run("debugfs", "-R", "cat settings/kept", data).stdout.split()[0]
    assert kept == club.open_boat("kittiwake").render().sha256


def test_it_says_whose_it_is(club: Club, system: Base) -> None:
    """boat.json on the boot partition, for whoever finds a card in a drawer."""
    said = read_identity(club.card("kittiwake"))
    assert (said["boat"], said["board"]) == ("kittiwake", "x86-64")
    assert said["base"]["suite"] == "trixie"
    assert said["settings"] == club.open_boat("kittiwake").render().sha256


def list_content(squashfs: Path) -> str:
    """Return a digest of all files, folders and links of a squashfs, with owners and modes."""
    reader = subprocess.Popen([find("sqfs2tar"), squashfs], stdout=subprocess.PIPE)
    with reader as done:
        assert done.stdout is not None
        found = hashlib.sha256()
        while piece := done.stdout.read(1 << 20):
            found.update(piece)
    assert reader.returncode == 0
    return found.hexdigest()


@pytest.mark.parametrize("name", ["kittiwake", "turnstone"])
def test_a_used_card_holds_the_whole_system(club: Club, tmp_path: Path, name: str) -> None:
    """Of a card full of other bytes, a quarter is written, and each file system is as built."""
    image = club.card(name)
    kind = board(club.open_boat(name).boat.profile.board)
    layout = Layout(kind.table, club.open_boat(name).render().sha256)
    card = tmp_path / "card"
    with card.open("wb") as file:
        for _ in range(0, layout.size, 1 << 20):
            file.write(b"\xaa" * (1 << 20))
    written = write_card(image, find_device(card))
    assert written.written < 400 << 20
    assert read_identity(card) == read_identity(image)
    base = extract(card, layout.base, tmp_path / "base-a")
    assert base.read_bytes().endswith(b"\xaa" * 4096)
    assert list_content(base) == list_content(get_base(kind).squashfs)
    boot = extract(card, layout.boot, tmp_path / "boot")
    run("fsck.fat", "-n", boot)
    files = {part: tmp_path / part for part in ("card files", "image files")}
    for source, folder in zip((card, image), files.values(), strict=True):
        folder.mkdir()
        run("mcopy", "-s", "-i", f"{source}@@{layout.boot.offset}", "::*", folder)
    run("diff", "-r", *files.values())
    run("e2fsck", "-f", "-n", extract(card, layout.data, tmp_path / "data"))
    assert "No errors detected" in run("sfdisk", "--verify", card).stdout


def test_a_device_is_no_card_file(club: Club) -> None:
    """Building straight onto a device is refused before any work is done."""
    done = provision("card", "kittiwake", "--boats", club.folder, "-o", "/dev/null")
    assert done.returncode == 2
    assert "/dev/null" in done.stderr
    assert "provision write" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("size", "out", "worked_in", "hint"),
    [
        ("64m", "full/card.img", ".", "name a file in another folder"),
        ("128k", "card.img", "full", "set TMPDIR"),
    ],
    ids=["the card's", "the one that is worked on"],
)
def test_a_full_disk_leaves_nothing(
    club: Club, system: Base, tmp_path: Path, size: str, out: str, worked_in: str, hint: str
) -> None:
    """A small file system fills up in the middle of the build."""
    club.open_boat("kittiwake")
    full = tmp_path / "full"
    full.mkdir()
    script = (
        'mount -t tmpfs -o "size=$1" full "$2"; TMPDIR=$6 "$3" -m provision card kittiwake '
        '--boats "$4" -o "$5"; echo "status $?"; ls -A "$2"'
    )
    words = [size, full, sys.executable, club.folder, tmp_path / out, tmp_path / worked_in]
    done = subprocess.run(
        ["unshare", "-rm", "sh", "-c", script, "sh", *words],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout.splitlines() == ["status 2"], done.stdout
    assert list(tmp_path.iterdir()) == [full]
    assert f"{full}" in done.stderr
    assert "the disk is full" in done.stderr
    assert hint in done.stderr
    assert "Traceback" not in done.stderr


def test_offline_with_a_base(club: Club, system: Base, tmp_path: Path) -> None:
    """Once the base is there, a card needs no network at all."""
    out = tmp_path / "card.img"
    done = subprocess.run(
        ["unshare", "-rn", sys.executable, "-m", "provision", "card", "kittiwake",
         "--boats", club.folder, "-o", out],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert digest(out) == digest(club.card("kittiwake"))


def test_offline_without_a_base(club: Club, tmp_path: Path) -> None:
    """Without network and base the error says what to do before casting off, and leaves nothing."""
    done = subprocess.run(
        ["unshare", "-rn", sys.executable, "-m", "provision", "card", "kittiwake",
         "--boats", club.folder, "-o", tmp_path / "card.img"],
        env={**os.environ, "XDG_CACHE_HOME": str(tmp_path / "cache")},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "cannot be reached" in done.stderr
    assert "once while there is a network" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "card.img").exists()
    assert not any((tmp_path / "cache" / "provision" / "bases").glob("*/*"))


def test_two_boards_with_the_same_needs_share_a_base() -> None:
    """The cache's key is what goes in, not the board's name."""
    recipes = [Recipe.for_board(board(name)) for name in ("bcm2711-rpi-4-b", "bcm2837-rpi-3-b")]
    assert recipes[0].key == recipes[1].key
    assert recipes[0].key != Recipe.for_board(board("x86-64")).key


def test_a_failed_assembly_leaves_the_old_card(
    club: Club, system: Base, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The new card takes the old one's place only when it is finished."""
    target = club.open_boat("kittiwake")
    out = tmp_path / "card.img"
    out.write_text("the old card")

    def fail(*_: object, **__: object) -> None:
        raise UserError("no")

    monkeypatch.setattr("provision.card.image.assemble.make_ext4", fail)
    with pytest.raises(UserError):
        assemble(board("x86-64"), target.render(), system, out)
    assert out.read_text() == "the old card"
    assert list(tmp_path.iterdir()) == [out]
