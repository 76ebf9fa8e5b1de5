# SPDX-License-Identifier: GPL-3.0-or-later
"""A laptop without a network makes and writes a card from the kit, the same as at home."""

from __future__ import annotations

import filecmp
import signal
import subprocess
import time
from pathlib import Path

import pytest

from provision.backup.restore import find_restorable
from provision.boards import board
from provision.card.base.cache import get_base
from provision.card.image.assemble import assemble
from provision.kit.programs import PROGRAMS
from tests.support.kit_rig import BOATS, LOG, Flip, Laptop, Packed, plain_python

#: An address that is reserved for documentation (RFC 5737).
CONNECT = "import socket; socket.create_connection(('192.0.2.1', 80), 5)"


def test_the_laptop_has_neither_network_nor_programs_nor_the_tool(
    packed: Packed, laptop: Laptop
) -> None:
    for program in PROGRAMS:
        done = laptop.run_program(packed.folder, "sh", "-c", f"{program} --version")
        assert done.returncode in (126, 127), program
    done = laptop.run_program(packed.folder, "sh", "-c", "ls -A $HOME; cat /proc/net/dev")
    assert done.stdout.count(":") == 1 and "lo:" in done.stdout
    assert "connect" in laptop.run_program(packed.folder, "python3", "-c", CONNECT).stderr
    done = laptop.run_program(packed.folder, "python3", "-c", "import provision")
    assert "No module named 'provision'" in done.stderr


def test_each_boats_card_is_the_same_byte_for_byte(
    packed: Packed, laptop: Laptop, tmp_path: Path
) -> None:
    done = laptop.run(
        packed.folder, "card", "--all", "-o", "cards",
        *("--vault-password-file", packed.password), read_only=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    for name in BOATS:
        boat = packed.club.open_boat(name)
        kind = board(boat.boat.profile.board)
        assemble(kind, boat.render(), get_base(kind), tmp_path / "image")
        made = laptop.folder / "cards" / f"{name}.img"
        assert filecmp.cmp(made, tmp_path / "image", shallow=False), name


def test_a_backup_goes_onto_the_card_which_is_written_and_recorded(
    packed: Packed, laptop: Laptop, tmp_path: Path
) -> None:
    kit, image = packed.folder, laptop.folder / "card.img"
    done = laptop.run(
        kit, "card", "kittiwake", "--with-backup", "-o", image,
        *("--vault-password-file", packed.password),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    restored = find_restorable(packed.club.folder / "backup", "kittiwake").files
    assert [*restored] == [f"voyages/{Path(LOG).name}"] or len(restored) == 1
    boat = packed.club.open_boat("kittiwake")
    kind = board(boat.boat.profile.board)
    assemble(kind, boat.render(), get_base(kind), tmp_path / "image", restored)
    assert filecmp.cmp(image, tmp_path / "image", shallow=False)
    card = laptop.folder / "card"
    with card.open("wb") as stream:
        stream.truncate(image.stat().st_size + 2**20)
    done = laptop.run(kit, "write", image, card, "--yes")
    assert done.returncode == 0, done.stderr
    assert "read back" in done.stdout + done.stderr
    record = kit / "boats/kittiwake.cards.json"
    assert record.is_file()
    summed = subprocess.run(
        ["sha256sum", "-c", "--quiet", "SHA256SUMS"], cwd=kit, capture_output=True, check=False
    )
    assert (summed.returncode, summed.stdout) == (0, b"")
    assert "boats/kittiwake.cards.json" in (kit / "SHA256SUMS").read_text()


def test_nothing_stays_on_the_laptop(packed: Packed, laptop: Laptop, tmp_path: Path) -> None:
    (tmp_path / "tmp").mkdir()
    done = laptop.run(packed.folder, "--version", environment={"TMPDIR": str(tmp_path / "tmp")})
    assert done.returncode == 0, done.stderr
    assert not [*(tmp_path / "tmp").iterdir()]


def test_a_stick_keeps_no_modes_and_no_links(packed: Packed, laptop: Laptop) -> None:
    """FAT shows each file with one mode, which others may read."""
    files = [path for path in packed.folder.rglob("*") if not path.is_dir()]
    assert not any(path.is_symlink() or path.stat().st_mode & 0o111 for path in files)
    for mode in (0o644, 0o755):
        for path in files:
            path.chmod(mode)
        done = laptop.run(
            packed.folder, "ready", "kittiwake", "--vault-password-file", packed.password
        )
        assert done.stdout.startswith("kittiwake: ready"), done.stdout + done.stderr
    for path in files:
        path.chmod(0o644)


@pytest.mark.parametrize(
    "name",
    [
        "provision",
        "kit/python.tar.gz",
        "kit/programs.tar.gz",
        "kit/kit.json",
        "boats/club.yml",
        "boats/kittiwake.secrets.yml",
        "boats/backup/kittiwake/index.json",
    ],
)
def test_a_damaged_file_is_named_at_the_start(
    packed: Packed, laptop: Laptop, flipped: Flip, name: str
) -> None:
    with flipped(packed.folder / name):
        done = laptop.run(packed.folder, "ready", "kittiwake")
    assert done.returncode != 0
    assert f"{name} (damaged)" in done.stderr or name == "provision", done.stderr
    assert not done.stdout


def test_a_damaged_base_is_named_when_a_card_is_made_from_it(
    packed: Packed, laptop: Laptop, flipped: Flip
) -> None:
    (base,) = packed.folder.glob("bases/amd64-*")
    words = ("card", "kittiwake", "-o", "k.img", "--vault-password-file", packed.password)
    for name in ("base.squashfs", "boot.fat"):
        with flipped(base / name):
            done = laptop.run(packed.folder, *words)
        assert done.returncode == 2
        assert f"{base / name}: the base in the kit is damaged" in done.stderr
    with flipped(base / "digests.json"):
        done = laptop.run(packed.folder, *words)
    assert f"bases/{base.name}/digests.json (damaged)" in done.stderr
    assert not (laptop.folder / "k.img").exists()


def test_another_python_or_machine_is_said_plainly(packed: Packed, laptop: Laptop) -> None:
    described, sums = packed.folder / "kit/kit.json", packed.folder / "SHA256SUMS"
    before = described.read_text(), sums.read_text()
    try:
        for old, new, said in (
            ('"python": "3.', '"python": "4.', "this kit is for Python 4."),
            ('"machine": "', '"machine": "not-', "this kit is for Linux on not-"),
        ):
            described.write_text(before[0].replace(old, new))
            lines = [line for line in before[1].splitlines() if "kit/kit.json" not in line]
            one = subprocess.run(
                ["sha256sum", "kit/kit.json"],
                cwd=packed.folder, capture_output=True, text=True, check=True,
            ).stdout  # fmt: skip
            sums.write_text("\n".join([*lines, one]))
            done = laptop.run(packed.folder, "--version")
            assert (done.returncode, said in done.stderr) == (2, True), done.stderr
    finally:
        described.write_text(before[0])
        sums.write_text(before[1])


def test_a_change_by_hand_is_taken_when_it_is_accepted(packed: Packed, laptop: Laptop) -> None:
    profile = packed.folder / "boats/kittiwake.yml"
    before = profile.read_text(), (packed.folder / "SHA256SUMS").read_text()
    try:
        profile.write_text(before[0] + "# a note at anchor\n")
        refused = laptop.run(packed.folder, "--version")
        assert "boats/kittiwake.yml (damaged)" in refused.stderr
        assert "--accept-changes" in refused.stderr
        taken = laptop.run(packed.folder, "--accept-changes")
        assert taken.stdout == "boats/kittiwake.yml: accepted as it is\n"
        assert laptop.run(packed.folder, "--version").returncode == 0
    finally:
        profile.write_text(before[0])
        (packed.folder / "SHA256SUMS").write_text(before[1])


def test_a_signal_ends_the_command_and_removes_what_was_unpacked(
    packed: Packed, tmp_path: Path
) -> None:
    (tmp_path / "tmp").mkdir()
    words = ("card", "kittiwake", "-o", tmp_path / "image")
    with subprocess.Popen(
        [
            *(plain_python(), packed.folder / "provision", *words),
            *("--vault-password-file", packed.password),
        ],
        env={"PATH": "/usr/bin:/bin", "HOME": str(tmp_path), "TMPDIR": str(tmp_path / "tmp")},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as started:
        deadline = time.monotonic() + 60
        while not [*(tmp_path / "tmp").glob("provision-kit-*/cache")]:
            assert time.monotonic() < deadline and started.poll() is None
            time.sleep(0.05)
        started.terminate()
        assert started.wait(60) == 128 + signal.SIGTERM
    assert not [*(tmp_path / "tmp").iterdir()]
