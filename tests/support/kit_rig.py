# SPDX-License-Identifier: GPL-3.0-or-later
"""A kit of the example club with small bases, and a laptop without a network to use it on."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from provision import paths
from provision.backup.store import Copy, Store, digest
from provision.boards import board
from provision.card.base.base import write_digests
from provision.card.base.recipe import EPOCH, Recipe
from provision.card.layout.filesystems import make_fat
from provision.card.layout.partitions import BOOT, PARTITIONS
from provision.kit import Wanted, list_files, write_kit
from provision.profile import load
from provision.profile.scaffold import create_club
from provision.profile.secrets import vault
from tests.support.boats import Club

BOATS = ("dunlin", "kittiwake", "turnstone")
PASSWORD = "kept in the harbour office"
#: Folders in a boot partition that cards put files into, of any board.
FOLDERS = ("loader", "loader/entries", "EFI", "EFI/BOOT", "extlinux", "overlays")

#: Hide from a command what a plain laptop lacks, and the network, in namespaces of its own: the
#: folders of programs hold $1's programs alone, and no configuration or converter is left.
APART = """
set -e
tools=$1
kit=$2
access=$3
shift 3
mount --bind "$kit" "$kit"
mount -o "remount,bind,$access" "$kit"
mount --bind "$tools" /usr/sbin
libc=$(ldd /usr/bin/env | sed -n 's/.*libc.so.6 => \\([^ ]*\\) .*/\\1/p')
mount -t tmpfs kit "${libc%/*}/gconv"
for program in debugfs dumpe2fs mcopy mtools mke2fs sfdisk lsblk; do
    for folder in /usr/bin /bin /usr/local/bin; do
        [ ! -e "$folder/$program" ] || mount --bind "$tools/nothing" "$folder/$program"
    done
done
mount --bind "$tools/nothing" /etc/mke2fs.conf
exec "$@"
"""


@dataclass(frozen=True)
class Laptop:
    """Runs commands as a laptop with Python and nothing else does, without a route."""

    folder: Path

    def run(
        self,
        kit: Path,
        *words: object,
        environment: Mapping[str, str] | None = None,
        read_only: bool = False,
    ) -> subprocess.CompletedProcess[str]:
        """Run a command of a kit, and wait for it."""
        return self.run_program(
            kit,
            *(plain_python(), kit / "provision", *words),
            environment=environment,
            read_only=read_only,
        )

    def run_program(
        self,
        kit: Path,
        *command: object,
        environment: Mapping[str, str] | None = None,
        read_only: bool = False,
    ) -> subprocess.CompletedProcess[str]:
        """Run any program as the laptop has it, beside a kit."""
        home, tools = self.folder / "home", self.folder / "tools"
        shutil.rmtree(home, ignore_errors=True)
        home.mkdir(parents=True)
        tools.mkdir(exist_ok=True)
        (tools / "nothing").touch()
        access = "ro" if read_only else "rw"
        return subprocess.run(
            ["unshare", "-rmn", "sh", "-c", APART, "sh", tools, kit, access, *map(str, command)],
            env={"HOME": str(home), "PATH": "/usr/bin:/bin", "TERM": "dumb", **(environment or {})},
            cwd=self.folder,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )


def plain_python() -> str:
    """Return the interpreter below the virtual environment, which has none of its packages."""
    return os.path.realpath(sys.executable)


@pytest.fixture
def laptop(tmp_path: Path) -> Laptop:
    """Give a laptop without a network."""
    (tmp_path / "laptop").mkdir()
    return Laptop(tmp_path / "laptop")


def make_club(folder: Path) -> Club:
    """Make the example club with secrets, and a small base in the cache for each of its boards."""
    create_club(folder)
    (folder / vault.PASSWORD_FILE).write_text(f"{PASSWORD}\n")
    club = Club(folder)
    for name in BOATS:
        club.open_boat(name)
        put_base(load.read(folder / f"{name}.yml").profile.board)
    return club


def put_base(board_id: str) -> None:
    """Put a base of a few files into the cache, from which no boat starts."""
    recipe = Recipe.for_board(board(board_id))
    folder = paths.cache() / "bases" / f"{recipe.architecture}-{recipe.key}"
    if not folder.exists():
        folder.mkdir(mode=0o700, parents=True)
        (folder / "base.squashfs").write_bytes(bytes(range(256)) * 20_000)
        make_fat(folder / "boot.fat", PARTITIONS[BOOT], 1, "BOOT", EPOCH)
        for path in FOLDERS:
            subprocess.run(["mmd", "-i", folder / "boot.fat", f"::{path}"], check=True)
        facts = {"format": 1, "key": recipe.key, "built": EPOCH}
        (folder / "base.json").write_text(json.dumps(facts))
        write_digests(folder)


#: What a backup's settings hold in these tests, as a pass-phrase stands there.
CANARY = b"canary of the settings aboard"
LOG = "log/log-000001-0001-2026-05-03.gz"


@dataclass(frozen=True)
class Packed:
    """Holds a kit, the club that it was made of, and a file with the vault password."""

    club: Club
    folder: Path
    password: Path


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Packed]:
    """Give a kit of all boats, with a backup of kittiwake."""
    top = tmp_path_factory.mktemp("packed")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(top / "cache"))
        patch.setenv("XDG_STATE_HOME", str(top / "state"))
        club = make_club(top / "boats")
        back_up(club.folder)
        boats = load.read_all(club.folder / f"{name}.yml" for name in BOATS)
        write_kit_of(top / "kit", list_files(boats, Wanted()))
        password = top / "password"
        password.touch(mode=0o600)
        password.write_text(PASSWORD)
        yield Packed(club, top / "kit", password)


def write_kit_of(folder: Path, files: object) -> None:
    """Write a kit into a new folder."""
    folder.mkdir()
    write_kit(folder, files)


def back_up(folder: Path) -> None:
    """Make a backup of kittiwake: a log, and settings with a secret in the clear."""
    store = Store.open(folder / "backup", "kittiwake")
    for key, content in ((LOG, b"a day at sea"), ("settings/kept", CANARY)):
        store.path(key).write_bytes(content)
        store.copies[key] = Copy(len(content), 1_770_000_000, digest(store.path(key)))
    store.taken = 1_770_000_000.0
    store.write_index()


Flip = Callable[[Path], AbstractContextManager[None]]


@pytest.fixture
def flipped() -> Flip:
    """Give what damages one bit in the middle of a file, and repairs it at the end."""

    @contextmanager
    def flip(file: Path) -> Iterator[None]:
        at = min(file.stat().st_size // 2, 2**21)
        before = _exchange(file, at, None)
        _exchange(file, at, bytes([before[0] ^ 1]))
        try:
            yield
        finally:
            _exchange(file, at, before)

    return flip


def _exchange(file: Path, at: int, new: bytes | None) -> bytes:
    """Return the byte at an offset, and put another one there."""
    with file.open("r+b") as stream:
        stream.seek(at)
        before = stream.read(1)
        if new is not None:
            stream.seek(at)
            stream.write(new)
    return before
