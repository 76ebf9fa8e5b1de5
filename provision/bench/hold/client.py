# SPDX-License-Identifier: GPL-3.0-or-later
"""Find a bench that is held on this computer."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import stat
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from provision.errors import Location, UserError

#: Files in a held bench's folder: how to reach everything around the boat, as JSON, and the socket
#: that takes commands.
WHERE_FILE, CONTROL_SOCKET = "where.json", "control"

#: Maximum size in bytes of a file that says how to reach a bench.
MAX_WHERE_BYTES = 2**20


def find_held(file: Path | None = None) -> dict[str, Any]:
    """Return how to reach a held bench, from its JSON in `file` or on this computer.

    Raise UserError if there is no bench, or more than one.
    """
    if file is not None:
        return _read_where(file)
    found = [
        where
        for where in Path(tempfile.gettempdir()).glob(f"bench-*/{WHERE_FILE}")
        if _is_own(where.parent) and _answers(where.with_name(CONTROL_SOCKET))
    ]
    if len(found) == 1:
        return _read_where(found[0])
    if found:
        names = " or ".join(f"--bench {where}" for where in sorted(found))
        raise UserError("more than one bench is held", hint=names)
    hint = "provision bench BOAT --hold --instruments none, or --terminals DIR for a feed here"
    raise UserError("no bench is held on this computer", hint=hint)


def link_sockets(where: Mapping[str, Any], origins: Sequence[str]) -> dict[str, Path]:
    """Return the sockets of a held bench's links that `origins` names.

    Raise UserError if there are none.
    """
    found = {origin: Path(where["links"][origin]) for origin in origins if origin in where["links"]}
    if not found:
        raise UserError(
            f"the log has sentences of {', '.join(origins)}, of which the bench has none",
            hint="hold a bench of the boat that the log is of",
        )
    return found


def _read_where(file: Path) -> dict[str, Any]:
    try:
        with file.open("rb") as stream:
            found = json.loads(stream.read(MAX_WHERE_BYTES))
        if not all(isinstance(path, str) for path in found["links"].values()):
            raise TypeError
    except OSError as error:
        reason = error.strerror or str(error)
        raise UserError(
            f"cannot be read: {reason}",
            location=Location(file),
            hint="name the file that `provision bench --hold` printed",
        ) from error
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise UserError(
            "does not say where a bench's links are",
            location=Location(file),
            hint="it is what `provision bench BOAT --hold --json` prints",
        ) from error
    return dict(found)


def _is_own(folder: Path) -> bool:
    """Tell if a folder is this user's, and no other user can put files into it."""
    try:
        status = folder.lstat()
    except OSError:
        return False
    private = not status.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
    return stat.S_ISDIR(status.st_mode) and private and status.st_uid == os.geteuid()


def _answers(path: Path) -> bool:
    """Tell if a bench serves this control socket. A killed bench leaves its socket behind."""
    with contextlib.closing(socket.socket(socket.AF_UNIX)) as client:
        try:
            client.connect(str(path))
        except OSError:
            return False
    return True
