# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure building a base with nothing cached against mmdebstrap alone with the same packages.

    python -m tests.measure.bases [ARCHITECTURE...]

Ours is all of it: packages, initramfs, squashfs, boot partition. Theirs is a tar of what the
packages are by themselves; for an architecture that is not this machine's, under user
emulation. Both download everything. What they download is fetched once before, so that no
cache on the way to the mirror tells them apart. Files that differ without a reason are told.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tempfile
import time
from collections.abc import Callable
from fnmatch import fnmatch
from pathlib import Path

from provision.boards import board
from provision.card.base import cross_build
from provision.card.base.apt_sources import find_mirrors
from provision.card.base.build import build
from provision.card.base.recipe import EXCLUDED, Recipe
from provision.commands import find, run
from tests.measure.figures import Amount, Ratio

#: A board of each architecture, and the ratio not to exceed: on a machine of that
#: architecture, and under emulation.
BOARDS = {"amd64": ("x86-64", 1.3, 0.4), "arm64": ("bcm2711-rpi-4-b", 1.3, 0.4)}
#: What a base has not, beside what packages are unpacked without.
LEFT_OUT = (
    *EXCLUDED,
    "/boot/*",
    "/etc/*-",
    "/etc/alternatives/*.gz",
    "/etc/hostname",
    "/etc/resolv.conf",
    "/etc/ssh/ssh_host_*",
    "/etc/systemd/system/*",
    "/initrd.img*",
    "/var/backups/*",
    "/var/cache/*",
    "/var/lib/apt/*",
    "/var/lib/dpkg/alternatives/*.gz",
    "/var/lib/dpkg/*-old",
    "/var/log/*",
    "/vmlinuz*",
)
#: What a base has more, beside our own files.
ADDED = (
    "/etc/*/99mmdebstrap",
    "/etc/.updated",
    "/usr/lib/boat-base/*",
    "/usr/lib/systemd/system/*.wants/boat-*",
    "/var/.updated",
)


def timed(work: Callable[[], object]) -> float:
    """Return the seconds that it takes."""
    begin = time.monotonic()
    work()
    return time.monotonic() - begin


def plain(recipe: Recipe, target: Path, variant: str = "minbase") -> None:
    """Return what mmdebstrap makes of the same packages, with nothing asked of it."""
    run(
        "mmdebstrap",
        "--mode=unshare",
        f"--variant={variant}",
        f"--architectures={recipe.architecture}",
        f"--include={','.join(recipe.packages)}",
        recipe.suite,
        target,
        *find_mirrors().lines(recipe.suite, list(recipe.components)),
    )


def names(tar: tarfile.TarFile) -> set[str]:
    """Return all files and links in a tar, as paths from the root, without its folders."""
    return {f"/{member.name.removeprefix('./')}" for member in tar if not member.isdir()}


def unexplained(recipe: Recipe, theirs: Path, squashfs: Path) -> set[str]:
    """Files that only one of the two has, and that nothing accounts for."""
    with tarfile.open(theirs) as tar:
        bare = names(tar)
    with (
        subprocess.Popen([find("sqfs2tar"), squashfs], stdout=subprocess.PIPE) as reader,
        tarfile.open(fileobj=reader.stdout, mode="r|") as tar,
    ):
        based = names(tar)
    ours = {f"/{name}" for name in recipe.files()}
    missing = {
        name for name in bare - based if not any(fnmatch(name, pattern) for pattern in LEFT_OUT)
    }
    more = {
        name for name in based - bare - ours if not any(fnmatch(name, pattern) for pattern in ADDED)
    }
    return missing | more


def measure(architecture: str) -> None:
    """Print the figures of one architecture."""
    name, native, emulated = BOARDS[architecture]
    recipe = Recipe.for_board(board(name))
    own = architecture == cross_build.host_architecture()
    with tempfile.TemporaryDirectory(prefix="measure-bases-") as work:
        folder = Path(work)
        folder.chmod(0o755)
        plain(recipe, folder / "fetched.tar", variant="extract")
        (folder / "fetched.tar").unlink()
        ours = timed(lambda: build(recipe, folder / "base", lambda _: None))
        theirs = timed(lambda: plain(recipe, folder / "plain.tar"))
        under = "" if own else " under user emulation"
        what = f"a cold {architecture} base / mmdebstrap alone{under}"
        print(Ratio(what, ours, theirs, native if own else emulated).line(), flush=True)
        differing = unexplained(recipe, folder / "plain.tar", folder / "base" / "base.squashfs")
        for path in sorted(differing):
            print(f"unexplained: {path}", file=sys.stderr)
        what = f"files of an {architecture} base that differ without a reason"
        print(Amount(what, len(differing), 0, "files").line(), flush=True)


def main() -> None:
    """Print the figures of the architectures named, or of all."""
    for architecture in sys.argv[1:] or BOARDS:
        measure(architecture)


if __name__ == "__main__":
    main()
