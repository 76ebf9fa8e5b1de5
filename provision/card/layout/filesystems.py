# SPDX-License-Identifier: GPL-3.0-or-later
"""Make file systems in plain files, without root, with the same bytes each time."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from provision.bounded import TooMuch, collect
from provision.commands import failure, find, run
from provision.errors import UserError

#: Seconds for reading one file out of an image: a kernel from a slow disk takes a few of them.
READ_TIMEOUT_S = 60


def _fixed(epoch: int) -> dict[str, str]:
    # e2fsprogs before 1.47.1 knows only its own variable.
    return {
        "SOURCE_DATE_EPOCH": str(epoch),
        "E2FSPROGS_FAKE_TIME": str(epoch),
        "TZ": "UTC",
        "MTOOLS_SKIP_CHECK": "1",
    }


#: What to do about a boot partition that cannot be read.
_NO_IMAGE_HINT = "name the image of a boat's card; provision card builds it anew"


def make_fat(image: Path, size: int, volume_id: int, label: str, epoch: int) -> None:
    """Make an empty FAT32 file system of `size` bytes in the new file `image`."""
    with image.open("xb") as file:
        file.truncate(size)
    run(
        "mkfs.vfat", "--invariant", "-F", 32, "-i", f"{volume_id:08x}", "-n", label, image,
        env=_fixed(epoch),
    )  # fmt: skip


def make_folders(target: str, tree: Path, epoch: int) -> None:
    """Make the folders of a tree in a FAT file system. Take `target` as `fill_fat` does."""
    folders = [path for path in sorted(tree.rglob("*")) if path.is_dir()]
    names = [f"::{folder.relative_to(tree).as_posix()}" for folder in folders]
    if names:
        run("mmd", "-i", target, *names, env=_fixed(epoch))


def fill_fat(target: str, tree: Path, epoch: int) -> None:
    """Copy the files of a tree into a FAT file system that has its folders, in sorted order.

    `target` is what mtools takes: a file, or `FILE@@OFFSET`.
    """
    files: dict[str, list[Path]] = {}
    for path in sorted(tree.rglob("*")):
        if path.is_file():
            files.setdefault(path.parent.relative_to(tree).as_posix(), []).append(path)
    for folder, paths in sorted(files.items()):
        into = "::" if folder == "." else f"::{folder}/"
        run("mcopy", "-o", "-i", target, *paths, into, env=_fixed(epoch))


def read_fat(target: str, name: str, longest: int = 2**28) -> bytes:
    """Return a file's content from a FAT file system. Take `target` as `fill_fat` does.

    Raise UserError if the file cannot be read in `READ_TIMEOUT_S`, or has more than `longest`
    bytes.
    """
    command = [find("mcopy"), "-n", "-i", target, f"::{name}", "-"]
    try:
        done = collect(command, limit=longest, timeout=READ_TIMEOUT_S)
    except TooMuch:
        raise UserError(
            f"{name} in {target} has more than {longest} bytes", hint=_NO_IMAGE_HINT
        ) from None
    except subprocess.TimeoutExpired:
        raise UserError(
            f"{name} in {target} was not read in {READ_TIMEOUT_S} s", hint=_NO_IMAGE_HINT
        ) from None
    if done.status:
        raise UserError(failure(command, done.status, done.errors), hint=_NO_IMAGE_HINT)
    return done.stdout


def make_ext4(image: Path, size: int, uuid: UUID, label: str, epoch: int) -> None:
    """Make an empty ext4 file system of `size` bytes in the new file `image`."""
    with image.open("xb") as file:
        file.truncate(size)
    run(
        "mke2fs", "-q", "-F", "-t", "ext4", "-T", "default", "-b", 4096, "-m", 1,
        "-L", label, "-U", str(uuid),
        # Room in the descriptors to grow to a 512 GB card. No lazy initialisation, since
        # a hole is not zero on a used card.
        "-E", f"hash_seed={uuid},root_owner=0:0,lazy_itable_init=0,lazy_journal_init=0,"
        f"resize={512 * 10**9 // 4096}",
        image,
        env=_fixed(epoch),
    )  # fmt: skip


@dataclass(frozen=True)
class Filed:
    """Hold a file to put into a file system, and its group there.

    Its folders below the first belong to that group, too, whose program goes on to write there.
    """

    source: Path
    group: int = 0
    mode: int = 0o600
    time: int | None = None
    """Its last change in seconds since 1970. None: when the file system was made."""


def parents_of(name: str) -> list[str]:
    """Return the folders of a file, the outermost first.

    >>> parents_of("charts/coast/north/one.kap")
    ['charts', 'charts/coast', 'charts/coast/north']
    """
    names = name.split("/")[:-1]
    return ["/".join(names[: count + 1]) for count in range(len(names))]


def _quoted(name: str) -> str:
    """Write a name for debugfs, which reads a doubled quotation mark as one (libss)."""
    doubled = name.replace('"', '""')
    return f'"{doubled}"'


def fill_ext4(image: Path, folders: Sequence[str], files: Mapping[str, Filed], epoch: int) -> None:
    """Write folders and files, by their name in the file system, into an ext4 image.

    Everything belongs to root. Folders get mode 0755, or 0775 with a group.
    """
    commands = [f"mkdir {_quoted(folder)}" for folder in folders]
    below: dict[str, int] = {}
    for name, file in files.items():
        quoted = _quoted(name)
        commands += [f'write "{file.source}" {quoted}']
        commands += [f"set_inode_field {quoted} mode 0100{file.mode:03o}"]
        commands += [f"set_inode_field {quoted} gid {file.group}"] if file.group else []
        if file.time is not None:
            commands += [f"set_inode_field {quoted} mtime @{file.time}"]
        below |= {folder: file.group for folder in parents_of(name)[1:] if file.group}
    for folder, group in below.items():
        commands += [f"set_inode_field {_quoted(folder)} mode 040775"]
        commands += [f"set_inode_field {_quoted(folder)} gid {group}"]
    done = run(
        "debugfs", "-w", "-f", "-", image, env=_fixed(epoch), input="\n".join(commands) + "\n"
    )
    # debugfs always ends with 0, and echoes each command that it reads.
    errors = [
        line
        for line in (done.stdout + done.stderr).splitlines()
        if line and not line.startswith(("debugfs", "Allocated inode"))
    ]
    if errors:
        raise UserError(
            "debugfs could not fill the data partition:\n" + "\n".join(errors),
            hint="see that there is room on the disk, or set TMPDIR to a folder on another",
        )
