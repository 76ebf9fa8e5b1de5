# SPDX-License-Identifier: GPL-3.0-or-later
"""Stand-ins for a foreign base: gathered whole, put in, and taken out without a trace."""

from __future__ import annotations

import io
import os
import subprocess
import tarfile
from collections.abc import Mapping
from pathlib import Path

import pytest

from provision.card.base import cross_build
from provision.errors import UserError

LIBRARY = "usr/lib/x86_64-linux-gnu/libkmod.so.2"
LOADER = "usr/lib64/ld-linux-x86-64.so.2"
ALL = sorted(f"usr/{name}" for names in cross_build.PROGRAMS.values() for name in names)
#: A few will do to see how they are handled.
FEW = {"dash": ("bin/dash",), "kmod": ("bin/kmod",), "udev": ("bin/udevadm",), "x": ("sbin/x",)}
PROGRAMS = ["usr/bin/dash", "usr/bin/kmod", "usr/bin/udevadm", "usr/sbin/x"]


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hooks take a process or two for each program."""
    monkeypatch.setattr(cross_build, "PROGRAMS", FEW)


def root_tar(path: Path, files: Mapping[str, bytes]) -> Path:
    """Return a tar of a root, with names as mmdebstrap writes them."""
    with tarfile.open(path, "w") as tar:
        for name, content in files.items():
            member = tarfile.TarInfo(f"./{name}")
            member.size = len(content)
            member.mode = 0o755
            tar.addfile(member, io.BytesIO(content))
    return path


def program(folder: Path, name: str, script: str) -> None:
    """Return a program of our own in a folder for PATH."""
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(f"#!/bin/sh\n{script}\n")
    (folder / name).chmod(0o755)


@pytest.fixture
def tray(tmp_path: Path) -> Path:
    """Give what `pick` makes of a root in which every program says that it is a stand-in."""
    files = {name: b"stand-in" for name in PROGRAMS}
    root = root_tar(
        tmp_path / "root.tar", {**files, LIBRARY: b"", LOADER: b"", "usr/bin/dpkg": b"", "a": b""}
    )
    cross_build.extract_standins(root, tmp_path / "tray.tar")
    return tmp_path / "tray.tar"


@pytest.fixture
def root(tmp_path: Path, tray: Path) -> Path:
    """Give a new root with the tray in it and some of the target's own programs extracted."""
    root = tmp_path / "root"
    for name in ("usr/bin/dash", "usr/bin/kmod", "usr/bin/dpkg"):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text("own")
    (root / "etc/initramfs-tools/hooks").mkdir(parents=True)
    (root / "var/lib/dpkg").mkdir(parents=True)
    (root / "var/lib/dpkg/diversions").write_text("/lib32\n/.lib32.kept\nbase-files\n")
    subprocess.run(["tar", "-x", "-f", tray, "-C", root], check=True)
    return root


def hook(root: Path, name: str, path: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run a hook as mmdebstrap does."""
    return subprocess.run(
        [root / cross_build.STANDINS_TAR / name, root],
        env={**os.environ, "PATH": f"{path}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_tray_holds_programs_libraries_and_hooks_only(tray: Path) -> None:
    """No other file of this machine's architecture is in the tray."""
    with tarfile.open(tray) as tar:
        names = {member.name.removeprefix("./") for member in tar}
    assert names == {
        *(f"{cross_build.STANDINS_TAR}/programs/{name}" for name in PROGRAMS),
        f"{cross_build.STANDINS_TAR}/begin",
        f"{cross_build.STANDINS_TAR}/finish",
        LIBRARY,
        LOADER,
        "lib64",
    }


def test_a_missing_program_is_reported(tmp_path: Path) -> None:
    """A suite that moved a program must not go unnoticed: the build would just be slow."""
    root = root_tar(tmp_path / "root.tar", {name: b"" for name in PROGRAMS if "kmod" not in name})
    with pytest.raises(UserError, match="usr/bin/kmod"):
        cross_build.extract_standins(root, tmp_path / "tray.tar")


def test_programs_whose_answers_depend_on_the_architecture_stay() -> None:
    """dpkg must say the target's architecture, ldconfig must know the target's libraries."""
    never = {"dpkg", "dpkg-query", "dpkg-trigger", "dpkg-divert", "ldconfig", "uname", "arch"}
    assert never.isdisjoint(name.rsplit("/", 1)[-1] for name in ALL)


def test_begin_installs_stand_ins_and_diverts_the_targets_programs(root: Path) -> None:
    """Each program stands in, and dpkg is told where the target's own goes."""
    done = hook(root, "begin")
    assert done.returncode == 0, done.stderr
    assert all((root / name).read_text() == "stand-in" for name in PROGRAMS)
    assert (root / "usr/bin/dpkg").read_text() == "own"
    lines = (root / "var/lib/dpkg/diversions").read_text().splitlines()
    diverted = dict(zip(lines[0::3], lines[1::3], strict=True))
    assert set(lines[5::3]) == {":"}
    for name in [*PROGRAMS, "usr/sbin/update-initramfs"]:
        assert (root / diverted[f"/{name}"][1:]).parent.is_dir()


def test_finish_leaves_no_trace(root: Path, tmp_path: Path) -> None:
    """Programs that dpkg unpacked meanwhile are in place, and all else is as before."""
    begun = hook(root, "begin")
    assert begun.returncode == 0, begun.stderr
    diversions = root / "var/lib/dpkg/diversions"
    lines = diversions.read_text().splitlines()
    diverted = dict(zip(lines[0::3], lines[1::3], strict=True))
    for name in ("usr/sbin/x", "usr/sbin/update-initramfs"):  # as dpkg unpacks
        (root / diverted[f"/{name}"][1:]).write_text("own")
    diversions.write_text(diversions.read_text() + "/usr/bin/x\n/usr/bin/x.kept\nsome\n")
    (root / "lib/modules/6.12-arm64").mkdir(parents=True)
    # The initramfs is built by stand-ins, out of the target's own.
    program(
        tmp_path / "bin", "chroot",
        f'cat usr/bin/kmod usr/bin/dash > {tmp_path}/seen; echo "$@" > {tmp_path}/asked',
    )  # fmt: skip
    done = hook(root, "finish", tmp_path / "bin")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "seen").read_text() == "ownstand-in"
    assert (tmp_path / "asked").read_text() == ". update-initramfs -c -k 6.12-arm64\n"
    left = {str(path.relative_to(root)) for path in root.rglob("*") if not path.is_dir()}
    assert left == {
        "usr/bin/dash",
        "usr/bin/dpkg",
        "usr/bin/kmod",
        "usr/sbin/update-initramfs",
        "usr/sbin/x",
        "var/lib/dpkg/diversions",
    }
    assert all((root / name).read_text() == "own" for name in left if name.startswith("usr"))
    assert diversions.read_text() == (
        "/lib32\n/.lib32.kept\nbase-files\n/usr/bin/x\n/usr/bin/x.kept\nsome\n"
    )
    assert not (root / cross_build.STANDINS_TAR).exists()


def test_finish_does_not_lose_a_program(root: Path, tmp_path: Path) -> None:
    """A program that waits aside and is on no list stops the build."""
    assert hook(root, "begin").returncode == 0
    (root / cross_build.STANDINS_TAR / "own/usr/bin/forgotten").write_text("own")
    (root / "lib/modules/6.12-arm64").mkdir(parents=True)
    program(tmp_path / "bin", "chroot", "exit 0")
    assert hook(root, "finish", tmp_path / "bin").returncode != 0


@pytest.mark.parametrize("status", [0, 1])
def test_foreign_programs_that_cannot_run_are_reported_first(
    status: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The error names the remedy. Where the programs run, there is no error."""
    program(tmp_path / "bin", "dpkg", "echo amd64")
    program(tmp_path / "bin", "arch-test", f"exit {status}")
    monkeypatch.setenv("PATH", f"{tmp_path}/bin:{os.environ['PATH']}")
    cross_build.require_emulation("amd64")
    if status == 0:
        cross_build.require_emulation("arm64")
        return
    with pytest.raises(UserError, match="cannot run arm64 programs") as told:
        cross_build.require_emulation("arm64")
    assert "tools/enable-arm64" in told.value.hint


def test_a_base_of_this_machines_architecture_needs_no_stand_ins(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A machine whose programs cannot stand in builds the base emulated."""
    monkeypatch.setattr(cross_build, "host_architecture", lambda: "amd64")
    assert cross_build.mmdebstrap_options("amd64", "trixie", [], tmp_path) == []
    monkeypatch.setattr(cross_build, "host_architecture", lambda: "riscv64")
    assert cross_build.mmdebstrap_options("arm64", "trixie", [], tmp_path) == []
