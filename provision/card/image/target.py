# SPDX-License-Identifier: GPL-3.0-or-later
"""Replace the file of an image in one step, and refuse a target that is no image of a card."""

from __future__ import annotations

import errno
import fcntl
import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from provision.card.image.identity import read_identity
from provision.errors import Location, UserError

_TARGET_FULL_HINT = "make room, or name a file in another folder"
_WORK_FULL_HINT = "make room, or set TMPDIR to a folder on another disk"


def check_target(target: Path) -> None:
    """Raise UserError if no card image can be built at `target`, before long work begins."""
    try:
        if target.exists() and not stat.S_ISREG(target.stat().st_mode):
            raise UserError(
                "this is a device or a folder, not a file for a card image",
                location=Location(target),
                hint=f"build into a file, then: provision write FILE {target}",
            )
        if target.is_symlink() and not target.exists():
            raise UserError(
                "this is a link that leads nowhere",
                location=Location(target),
                hint="remove it, or name another file",
            )
        if target.exists():
            _refuse_another_kind(target)
        there = target.parent.is_dir()
    except OSError as error:
        raise _write_error(target, error) from error
    if not there:
        raise UserError(
            "there is no such folder",
            location=Location(target.parent),
            hint="make it, or name another",
        )
    if not os.access(target.parent, os.W_OK | os.X_OK):
        raise _write_error(target, PermissionError(errno.EACCES, os.strerror(errno.EACCES)))


def _refuse_another_kind(target: Path) -> None:
    """Raise UserError unless the file is the image of a card that no bench uses."""
    try:
        read_identity(target)
    except UserError as error:
        raise UserError(
            "is there already and is not the image of a boat's card; it stays as it is",
            location=Location(target),
            hint="name another file, or move this one away",
        ) from error
    with target.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise UserError(
                "a bench uses this image",
                location=Location(target),
                hint="end it, or name another file",
            ) from error


@contextmanager
def atomic_output(target: Path, work: Path) -> Iterator[Path]:
    """Open a new file beside `target`, and move it to `target` when it is finished.

    `work` is the working folder, perhaps on another disk.
    """
    check_target(target)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        os.close(handle)
    except OSError as error:
        raise _write_error(target, error) from error
    image = Path(name)
    try:
        yield image
        image.rename(target)
    except (OSError, UserError) as error:
        # Each called program has its own message for a full disk.
        for full, hint in ((target, _TARGET_FULL_HINT), (work, _WORK_FULL_HINT)):
            if _is_full(full.parent):
                raise UserError("the disk is full", location=Location(full), hint=hint) from error
        if isinstance(error, OSError):
            raise _write_error(target, error) from error
        raise
    finally:
        image.unlink(missing_ok=True)


def _write_error(target: Path, error: OSError) -> UserError:
    return UserError(
        f"cannot write: {error.strerror}", location=Location(target), hint=_TARGET_FULL_HINT
    )


def _is_full(folder: Path) -> bool:
    room = os.statvfs(folder)
    return room.f_bavail * room.f_frsize < 2**20
