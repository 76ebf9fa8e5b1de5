# SPDX-License-Identifier: GPL-3.0-or-later
"""Run other programs by argument lists, never by a shell string."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

from provision.errors import UserError

#: Folders of system tools, which the PATH of `su` or of a plain user lacks.
SBIN = ("/usr/local/sbin", "/usr/sbin", "/sbin")

#: The Debian package of a program whose package has another name.
PACKAGES = {
    "dumpe2fs": "e2fsprogs",
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
    """Return PATH with the folders of system tools added."""
    folders = os.environ.get("PATH", os.defpath).split(os.pathsep)
    return os.pathsep.join([*folders, *(folder for folder in SBIN if folder not in folders)])


def find(program: str) -> str:
    """Find the full path of `program`. Raise UserError with the Debian package without it."""
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

    `env` is added to this process's environment. With `check`, a failure raises UserError with
    the end of what the program printed. `timeout` is in seconds.
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
        raise UserError(
            f"{command[0]} did not finish within {timeout:.0f} s",
            hint="see whether this computer is busy, and begin again",
        ) from error
    if check and done.returncode != 0:
        raise UserError(
            failure(command, done.returncode, done.stderr or done.stdout),
            hint=f"correct what {command[0]} names above, and begin again",
        )
    return done


def failure(command: Sequence[Argument], status: int, output: str) -> str:
    """Write one message for a program that failed: its name, status, and last lines of output."""
    tail = "\n".join(output.strip().splitlines()[-12:])
    return f"{command[0]} ended with status {status}" + (f":\n{tail}" if tail else "")


def environment(**extra: str) -> dict[str, str]:
    """Return this process's environment with system tools in PATH, for long-running children."""
    return {**os.environ, "PATH": search_path(), **extra}
