# SPDX-License-Identifier: GPL-3.0-or-later
"""Other programs: argument lists, run in one place, never a shell string."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

from provision.errors import UserError

#: Tools of the system live there too, and `su -` or a plain user's PATH lacks it.
SBIN = ("/usr/local/sbin", "/usr/sbin", "/sbin")

#: Which Debian package brings a program whose package has another name.
PACKAGES = {
    "lsblk": "util-linux",
    "mcopy": "mtools",
    "mke2fs": "e2fsprogs",
    "mkfs.vfat": "dosfstools",
    "mmd": "mtools",
    "qemu-img": "qemu-utils",
    "qemu-system-aarch64": "qemu-system-arm",
    "qemu-system-x86_64": "qemu-system-x86",
    "setpriv": "util-linux",
    "sfdisk": "fdisk",
    "ssh": "openssh-client",
    "ssh-keyscan": "openssh-client",
    "systemd-escape": "systemd",
    "tar2sqfs": "squashfs-tools-ng",
    "unshare": "util-linux",
    "unsquashfs": "squashfs-tools",
}

Argument = str | Path | int


def search_path() -> str:
    """PATH with the folders of system tools added behind it."""
    folders = os.environ.get("PATH", os.defpath).split(os.pathsep)
    return os.pathsep.join([*folders, *(folder for folder in SBIN if folder not in folders)])


def find(program: str) -> str:
    """The full path of `program`; UserError naming the Debian package when it is not there."""
    found = shutil.which(program, path=search_path())
    if found is None:
        raise UserError(
            f"the program {program} is not installed",
            hint=f"sudo apt-get install {PACKAGES.get(program, program)}",
        )
    return found


def run(
    *command: Argument,
    env: Mapping[str, str] | None = None,
    cwd: Path | None = None,
    input: str | None = None,
    check: bool = True,
    timeout: float | None = None,
) -> subprocess.CompletedProcess[str]:
    """Run a program and return what it printed.

    `env` is added to this process's own. With `check`, a failure raises UserError with
    the end of what the program said. `timeout` is in seconds.
    """
    argv = [find(str(command[0])), *map(str, command[1:])]
    try:
        done = subprocess.run(
            argv,
            env={**os.environ, "PATH": search_path(), **(env or {})},
            cwd=cwd,
            input=input,
            stdin=subprocess.DEVNULL if input is None else None,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=timeout,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise UserError(f"{command[0]} did not finish within {timeout:.0f} s") from error
    if check and done.returncode != 0:
        raise UserError(failure(command, done.returncode, done.stderr or done.stdout))
    return done


def failure(command: Sequence[Argument], status: int, said: str) -> str:
    """One message for a program that failed: which, how, and the last of what it said."""
    tail = "\n".join(said.strip().splitlines()[-12:])
    return f"{command[0]} ended with status {status}" + (f":\n{tail}" if tail else "")


def environment(**extra: str) -> dict[str, str]:
    """This process's environment with the system's tools in PATH, for long-running children."""
    return {**os.environ, "PATH": search_path(), **extra}
