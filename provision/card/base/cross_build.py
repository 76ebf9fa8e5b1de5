# SPDX-License-Identifier: GPL-3.0-or-later
"""Build bases for another architecture in a fraction of the time that emulation takes.

An emulated process takes ten to twenty times as long, and configuring packages takes thousands of
short processes: shells, coreutils, perl, python. So this machine's own builds of the busiest
programs, from the same Debian suite, stand in for the target's while packages are configured.

dpkg's diversions put the target's own programs aside meanwhile, for any package at any time. At the
end the programs return to their paths, and everything of this machine's architecture is removed.
dpkg stays the target's: it decides what is foreign.
"""

from __future__ import annotations

import tarfile
from collections.abc import Sequence
from pathlib import Path

from provision.card.base.mmdebstrap_errors import explain_failure
from provision.commands import run
from provision.errors import UserError

FOLDER = Path(__file__).parent / "standins"
#: The folder in the new root with the stand-ins and the hooks that handle them. A hook's user may
#: not look into the home folder of the user who builds.
STANDINS_TAR = "boat-standins"

#: Debian packages and their programs that stand in. The answers of these programs depend on the
#: architecture that they were built for, so they are not here: dpkg, dpkg-query, dpkg-divert,
#: dpkg-trigger, ldconfig, arch, uname.
PROGRAMS: dict[str, tuple[str, ...]] = {
    "bash": ("bin/bash",),
    "coreutils": tuple(
        f"bin/{name}"
        for name in (
            "[ basename cat chgrp chmod chown comm cp cut date dd dirname du echo env expr "
            "false head id install join ln ls md5sum mkdir mkfifo mknod mktemp mv nproc od "
            "paste printf pwd readlink realpath rm rmdir seq sha256sum sleep sort stat sync "
            "tail tee test touch tr true truncate tty uniq wc"
        ).split()
    ),
    "cpio": ("bin/cpio",),
    "dash": ("bin/dash",),
    "debianutils": ("bin/run-parts", "bin/tempfile"),
    "dpkg": ("bin/dpkg-deb", "bin/dpkg-split", "bin/update-alternatives"),
    "findutils": ("bin/find", "bin/xargs"),
    "grep": ("bin/grep",),
    "gzip": ("bin/gzip",),
    "kmod": ("bin/kmod",),
    "mawk": ("bin/mawk",),
    "perl-base": ("bin/perl",),
    "python3-minimal": ("bin/python3.13",),
    "sed": ("bin/sed",),
    "systemd": (
        "bin/journalctl",
        "bin/systemctl",
        "bin/systemd-machine-id-setup",
        "bin/systemd-sysusers",
        "bin/systemd-tmpfiles",
    ),
    "tar": ("bin/tar",),
    "udev": ("bin/systemd-hwdb", "bin/udevadm"),
    "util-linux": ("bin/getopt",),
    "zstd": ("bin/zstd",),
}
#: The architecture whose programs can stand in, and the folders of its libraries.
_HOST_ARCHITECTURE = "amd64"
_LIBRARIES = ("usr/lib/x86_64-linux-gnu/", "usr/lib64/")


def host_architecture() -> str:
    """Return Debian's name for this machine's architecture."""
    return run("dpkg", "--print-architecture").stdout.strip()


def require_emulation(architecture: str) -> None:
    """Raise UserError if this machine can run no programs of `architecture`."""
    if architecture == host_architecture():
        return
    if run("arch-test", architecture, check=False).returncode != 0:
        raise UserError(
            f"this machine cannot run {architecture} programs, which building a base for "
            f"this board takes",
            hint="sudo apt-get install qemu-user-static; where systemd does not run, then "
            "sudo tools/enable-arm64",
        )


def mmdebstrap_options(
    architecture: str, suite: str, sources: Sequence[str], work: Path
) -> list[str]:
    """Return mmdebstrap's options for a base of `architecture`. Empty for our own.

    `sources` are the package sources as apt reads them. Download the stand-ins into the folder
    `work`. The options' hooks have to come before all other customize hooks.
    """
    if architecture == _HOST_ARCHITECTURE or host_architecture() != _HOST_ARCHITECTURE:
        return []
    tray = _download_standins(suite, sources, work)
    return [
        f"--extract-hook=tar-in {tray} /",
        f'--extract-hook="$1/{STANDINS_TAR}/begin" "$1"',
        f'--customize-hook="$1/{STANDINS_TAR}/finish" "$1"',
    ]


def _download_standins(suite: str, sources: Sequence[str], work: Path) -> Path:
    """Download this machine's builds, and pick out the programs that stand in."""
    root = work / "standins-root.tar"
    argv = [
        "mmdebstrap",
        "--mode=unshare",
        "--variant=extract",
        f"--architectures={_HOST_ARCHITECTURE}",
        f"--include={','.join(PROGRAMS)}",
        "--aptopt=Acquire::Languages none",
        suite,
        str(root),
        *sources,
    ]
    done = run(*argv, check=False)
    if done.returncode != 0:
        raise explain_failure(argv, done.returncode, done.stderr)
    tray = work / "standins.tar"
    extract_standins(root, tray)
    root.unlink()
    return tray


def extract_standins(root: Path, tray: Path) -> None:
    """Copy the stand-ins and their libraries from the tar of a root into another tar.

    Raise UserError if a program is missing.
    """
    wanted = {f"usr/{name}" for names in PROGRAMS.values() for name in names}
    with tarfile.open(root) as reading, tarfile.open(tray, "w") as writing:
        for member in reading:
            name = member.name.removeprefix("./")
            if name in wanted and member.isfile():
                wanted.remove(name)
                member.name = f"{STANDINS_TAR}/programs/{name}"
            elif not f"{name}/".startswith(_LIBRARIES):
                continue
            writing.addfile(member, reading.extractfile(member) if member.isreg() else None)
        loader = tarfile.TarInfo("lib64")
        loader.type = tarfile.SYMTYPE
        loader.linkname = "usr/lib64"
        writing.addfile(loader)
        for hook in ("begin", "finish"):
            writing.add(FOLDER / hook, f"{STANDINS_TAR}/{hook}", filter=_as_program)
    if wanted:
        raise UserError(
            f"not in Debian's packages: {', '.join(sorted(wanted))}",
            hint="see that the package sources of this machine's apt are whole: apt-get update",
        )


def _as_program(member: tarfile.TarInfo) -> tarfile.TarInfo:
    """Return a file as a program that root owns, with a mode fixed for every checkout."""
    member.uid = member.gid = 0
    member.uname = member.gname = "root"
    member.mode = 0o755
    return member
