# SPDX-License-Identifier: GPL-3.0-or-later
"""The initramfs takes only what it may from a card. Its own shell and tools run here: busybox."""

from __future__ import annotations

import hashlib
import os
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from provision.commands import find
from provision.onboard.settings.archive.tar import MAX_ARCHIVE_BYTES
from provision.render.archive import File, Symlink, build_settings

SCRIPT = (
    Path(__file__).parents[3] / "provision/card/base/rootfs/etc/initramfs-tools/scripts/boat-take"
)
BLOCK = 512

#: What local-bottom/boat does with the file, and what it says of it.
TAKE = """
run=$1/run rootmnt=$1/root choice=none digest= reason=
log() { :; }
. "$2"
take kept "$1/card" kept
echo "$choice"
"""


@dataclass(frozen=True)
class Card:
    """Holds a folder for a boat's settings, and what became of them."""

    folder: Path
    tools: Path

    def take(self) -> str:
        """Return the choice after one start; no start may last longer than a few seconds."""
        words = ["busybox", "sh", "-c", TAKE, "sh", str(self.folder), str(SCRIPT)]
        done = subprocess.run(
            words,
            env={"PATH": str(self.tools)},
            capture_output=True,
            text=True,
            timeout=20,
            check=False,
        )
        return done.stdout.strip()

    @property
    def unpacked(self) -> list[str]:
        """Return the files below the boat's root."""
        root = self.folder / "root"
        return sorted(str(path.relative_to(root)) for path in root.rglob("*") if not path.is_dir())

    def hold(self, data: bytes, line: str = "{digest}  {digest}.tar\n") -> Path:
        """Put an archive on the card, and what points to it; return the archive's file."""
        digest = hashlib.sha256(data).hexdigest()
        file = self.folder / "card" / f"{digest}.tar"
        file.write_bytes(data)
        (self.folder / "card/kept").write_text(line.format(digest=digest))
        return file


@pytest.fixture(scope="module")
def tools(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """busybox by each of its names, and nothing else."""
    folder = tmp_path_factory.mktemp("busybox")
    busybox = find("busybox")
    names = subprocess.run([busybox, "--list"], capture_output=True, text=True, check=True).stdout
    for name in {*names.split(), "busybox"}:
        (folder / name).symlink_to(busybox)
    return folder


@pytest.fixture
def card(tmp_path: Path, tools: Path) -> Card:
    for name in ("run", "root", "card"):
        (tmp_path / name).mkdir()
    return Card(tmp_path, tools)


ARCHIVE = build_settings(
    {
        "/etc/hostname": File(b"kittiwake\n"),
        "/etc/boat/zeros": File(bytes(3 * BLOCK)),
        "/etc/boat/exact": File(b"x" * BLOCK, 0o600),
        "/etc/boat/empty": File(b""),
        "/etc/systemd/system/x.service": Symlink("/dev/null"),
    },
    {"boat": "kittiwake", "board": "x86-64", "base": 1, "version": "1", "profile": "0" * 64},
).archive

HIDDEN = build_settings({"/etc/hidden": File(b"x")}, {}).archive


def test_what_is_whole_is_unpacked(card: Card) -> None:
    card.hold(ARCHIVE)
    assert card.take() == "kept"
    assert card.unpacked == [
        "etc/boat/empty",
        "etc/boat/exact",
        "etc/boat/manifest.json",
        "etc/boat/zeros",
        "etc/hostname",
        "etc/systemd/system/x.service",
    ]
    assert (card.folder / "root/etc/boat/exact").stat().st_mode & 0o777 == 0o600
    assert (card.folder / "run/settings.tar").read_bytes() == ARCHIVE
    assert (card.folder / "run/settings.tar").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    ("name", "taken"),
    [("{digest}.copy", "kept"), ("{digest}.old", "none"), ("../card/{digest}.copy", "none")],
)
def test_a_second_copy_is_as_good(card: Card, name: str, taken: str) -> None:
    """Only the name of a second copy is accepted."""
    file = card.hold(ARCHIVE, "{digest}  " + name + "\n")
    for suffix in (".copy", ".old"):
        file.with_suffix(suffix).write_bytes(ARCHIVE)
    file.unlink()
    assert card.take() == taken


def end(data: bytes) -> int:
    """Return where an archive's first empty block after its last member begins."""
    used = len(data.rstrip(b"\0"))
    return used + -used % BLOCK


FORGERIES: dict[str, Callable[[bytes], bytes]] = {
    "members behind an empty block": lambda data: data[: end(data) + BLOCK] + HIDDEN,
    "members behind the end": lambda data: data + HIDDEN,
    "a byte behind the end": lambda data: data[:-1] + b"x",
    "no end": lambda data: data[: end(data)],
    "cut short in a file": lambda data: data[: 3 * BLOCK],
    "a pipe": lambda data: data[:156] + b"6" + data[157:],
    "a hard link": lambda data: data[:156] + b"1" + data[157:],
    "a long name": lambda data: data[:156] + b"L" + data[157:],
    "a folder that says it is a file": lambda data: data[:156] + b"0" + data[157:],
    "a folder with content": lambda data: data[:134] + b"1" + data[135:],
    "another number": lambda data: data[:124] + b"\x80" + data[125:],
    "another kind of tar": lambda data: data[:257] + b"ustar\x0000" + data[265:],
    "nothing": lambda _: b"",
}


@pytest.mark.parametrize("forge", FORGERIES.values(), ids=FORGERIES)
def test_what_boat_settings_would_refuse_is_not_unpacked(
    card: Card, forge: Callable[[bytes], bytes]
) -> None:
    """The pointer's digest is right: whoever forged the archive has turned it, too."""
    card.hold(forge(ARCHIVE))
    assert card.take() == "none"
    assert card.unpacked == []
    assert not (card.folder / "run/settings.tar").exists()


def pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def endless(path: Path) -> None:
    path.unlink()
    path.symlink_to("/dev/zero")


def folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def large(path: Path) -> None:
    os.truncate(path, MAX_ARCHIVE_BYTES + 1)


@pytest.mark.parametrize("spoil", [pipe, endless, folder, large])
@pytest.mark.parametrize("spoilt", ["pointer", "archive"])
def test_what_is_no_file_does_not_hold_up_the_start(
    card: Card, spoilt: str, spoil: Callable[[Path], None]
) -> None:
    archive = card.hold(ARCHIVE)
    spoil(archive if spoilt == "archive" else card.folder / "card/kept")
    assert card.take() == "none"
    assert card.unpacked == []


@pytest.mark.parametrize(
    "line",
    [
        "",
        "\n",
        "{digest}",
        "{digest}  /dev/zero\n",
        "{digest}  ../card/{digest}.tar\n",
        "-c  {digest}.tar\n",
        "0000{digest}  {digest}.tar\n",
        "*  *\n",
    ],
)
def test_a_pointer_that_is_none(card: Card, line: str) -> None:
    card.hold(ARCHIVE, line)
    assert card.take() == "none"


def test_damage_is_noticed(card: Card) -> None:
    archive = card.hold(ARCHIVE)
    archive.write_bytes(ARCHIVE.replace(b"kittiwake", b"sandpiper"))
    assert card.take() == "none"


def test_the_limits_are_the_same() -> None:
    assert f"take_limit={MAX_ARCHIVE_BYTES}\n" in SCRIPT.read_text()
