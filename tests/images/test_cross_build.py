# SPDX-License-Identifier: GPL-3.0-or-later
"""A base for another architecture: nothing of the machine that built it is left in it."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import subprocess
import sys
import tarfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from provision.boards import board
from provision.card.base.base import Base
from provision.card.base.cache import get_base
from provision.card.layout.bootloader import INITRAMFS
from provision.commands import find

#: e_machine of the target's programs (ELF specification, registered values).
AARCH64 = 183
#: The board's own firmware is made of programs for its graphics processor, in this folder.
FIRMWARE = "usr/lib/raspi-firmware/"


@dataclass(frozen=True)
class File:
    """Holds a regular file of a root file system."""

    name: str
    head: bytes
    md5: str

    @property
    def machine(self) -> int | None:
        """e_machine when this is an ELF file."""
        return struct.unpack("<H", self.head[18:20])[0] if self.head[:4] == b"\x7fELF" else None


@dataclass(frozen=True)
class Root:
    """Holds what is in a base: regular files, and the text of those that the tests look into."""

    files: dict[str, File]
    others: frozenset[str]
    dpkg: dict[str, str]


@pytest.fixture(scope="module")
def system() -> Base:
    """Give the arm64 base, built when the cache has none."""
    return get_base(board("bcm2711-rpi-4-b"))


@pytest.fixture(scope="module")
def root(system: Base) -> Root:
    """Give the whole base, read once."""
    files: dict[str, File] = {}
    others: set[str] = set()
    dpkg: dict[str, str] = {}
    argv = [find("sqfs2tar"), system.squashfs]
    with subprocess.Popen(argv, stdout=subprocess.PIPE) as reader:
        with tarfile.open(fileobj=reader.stdout, mode="r|") as tar:
            for member in tar:
                name = member.name.removeprefix("./")
                if member.islnk():
                    files[name] = files[member.linkname.removeprefix("./")]
                    continue
                content = tar.extractfile(member) if member.isfile() else None
                if content is None:
                    others.add(name)
                    continue
                data = content.read()
                files[name] = File(name, data[:20], hashlib.md5(data).hexdigest())  # noqa: S324
                if name.startswith("var/lib/dpkg/"):
                    dpkg[name.removeprefix("var/lib/dpkg/")] = data.decode(errors="replace")
        assert reader.stdout is not None
        reader.stdout.read()
    assert reader.returncode == 0
    return Root(files, frozenset(others), dpkg)


def archive(data: bytes, position: int = 0) -> Iterator[tuple[str, bytes, int]]:
    """Yield the files of a cpio archive in the newc format (cpio(5)), each with where it ends."""
    while data[position : position + 6] == b"070701":
        fields = data[position + 6 : position + 110]
        size, length = int(fields[48:56], 16), int(fields[88:96], 16)
        start = position + 110
        name = data[start : start + length - 1].decode()
        start = (start + length + 3) & ~3
        position = (start + size + 3) & ~3
        yield name, data[start : start + size], position
        if name == "TRAILER!!!":
            return
    raise ValueError("no trailer: this is no whole cpio archive")


def initramfs(data: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield the files of an initramfs: what is compressed already lies in front of the rest."""
    position = 0
    while data[position : position + 6] == b"070701":
        for name, content, end in archive(data, position):
            yield name, content
            position = end
        while data[position : position + 1] == b"\0":
            position += 1
    unpacked = subprocess.run(
        [find("zstd"), "-d", "-c"], input=data[position:], capture_output=True, check=True
    ).stdout
    for name, content, _ in archive(unpacked):
        yield name, content


def test_every_program_is_the_targets(root: Root) -> None:
    """The header of each file counts, not its name."""
    machines = {name: file.machine for name, file in root.files.items() if file.machine}
    wrong = {
        name: machine
        for name, machine in machines.items()
        if machine != AARCH64 and not name.startswith(FIRMWARE)
    }
    assert wrong == {}
    assert machines["usr/bin/dash"] == AARCH64
    assert len(machines) > 500, "the base was not read whole"


def test_every_file_is_as_its_package_brought_it(root: Root) -> None:
    """Each program that was put aside is back in its place: dpkg's own digests say so."""
    found = 0
    wrong = []
    for name, text in root.dpkg.items():
        if not name.endswith(".md5sums"):
            continue
        for line in text.splitlines():
            digest, path = line.split(None, 1)
            # Packages may still name the folders that were merged into /usr.
            file = root.files.get(path) or root.files.get(f"usr/{path}")
            if file is None:
                continue  # left out of the base, or replaced by a link
            found += 1
            if file.md5 != digest:
                wrong.append(path)
    assert wrong == []
    assert found > 5000, "the packages' digests were not read whole"
    for name in ("bash", "dash", "coreutils", "kmod", "perl-base", "tar", "udev"):
        listed = root.dpkg[f"info/{name}.md5sums"].split()[1::2]
        programs = [path for path in listed if "bin/" in path]
        assert programs
        assert [path for path in programs if path not in root.files] == []


def test_no_trace_is_left(root: Root) -> None:
    """No folder, no diversion, no loader of the machine that built it."""
    names = {*root.files, *root.others}
    traces = ("boat-standins", "lib64", "usr/lib64", "usr/lib/x86_64-linux-gnu")
    assert [name for name in names if name.startswith(traces)] == []
    assert [name for name, text in root.dpkg.items() if "standins" in text] == []
    assert "arm64" in root.dpkg["arch-native"]


def test_initramfs_holds_the_targets_programs_only(system: Base) -> None:
    """Built by stand-ins, made of the target's own."""
    files = dict(initramfs((system.folder / INITRAMFS).read_bytes()))
    machines = {
        name: struct.unpack("<H", content[18:20])[0]
        for name, content in files.items()
        if content[:4] == b"\x7fELF"
    }
    assert {"lib64", "usr/lib64"}.isdisjoint(files)
    assert {name for name, machine in machines.items() if machine != AARCH64} == set()
    programs = {name.rsplit("/", 1)[-1] for name in machines}
    assert {"e2fsck", "kmod", "udevadm"} <= programs
    assert any(name.startswith("libkmod.so.2") for name in programs)


def test_offline_without_a_base(tmp_path: Path) -> None:
    """The error says what to do before casting off here, too, where the stand-ins come first."""
    done = subprocess.run(
        ["unshare", "-rn", sys.executable, "-c",
         "from provision.boards import board; from provision.card.base.cache import get_base; "
         "get_base(board('bcm2711-rpi-4-b'))"],
        env={**os.environ, "XDG_CACHE_HOME": str(tmp_path)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "cannot be reached" in done.stderr
    assert "once while there is a network" in done.stderr
    assert not any((tmp_path / "provision" / "bases").glob("*/*"))


def test_the_archive_reader_notices_a_torn_archive() -> None:
    """An initramfs that is read only in part proves nothing."""
    whole = io.BytesIO()
    for name in (b"a\0", b"TRAILER!!!\0"):
        header = b"070701" + b"0" * 88 + b"%08x" % len(name) + b"0" * 8
        entry = header + name
        whole.write(entry + b"\0" * (-len(entry) % 4))
    assert [name for name, *_ in archive(whole.getvalue())] == ["a", "TRAILER!!!"]
    with pytest.raises(ValueError, match="trailer"):
        list(archive(whole.getvalue()[:112]))
