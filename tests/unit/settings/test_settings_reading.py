# SPDX-License-Identifier: GPL-3.0-or-later
"""Archives and state files that are damaged or forged: an error in time, never a trace."""

from __future__ import annotations

import hashlib
import os
import random
import tarfile
from collections.abc import Callable

import pytest

from provision.onboard.settings.archive.read import read
from provision.onboard.settings.archive.tar import MAX_ARCHIVE_BYTES, MAX_NAME_BYTES
from provision.onboard.settings.archive.tar import pack as written
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.paths import MANIFEST
from provision.onboard.settings.stage import stage
from provision.onboard.settings.trial import start_trial
from tests.support.settings.boat import NEW, Boat, ask, pack, tar

DATA, DIGEST = pack(NEW)
BLOCK = 512


def member(name: str, content: bytes = b"", **header: object) -> bytes:
    """Header and content of one member, as a forger writes it."""
    info = tarfile.TarInfo(name)
    info.size, info.mtime, info.uname, info.gname = len(content), 1767225600, "root", "root"
    for key, value in header.items():
        setattr(info, key, value)
    return info.tobuf(tarfile.GNU_FORMAT) + content + bytes(-len(content) % BLOCK)


def behind_an_empty_block(data: bytes) -> bytes:
    """Return the finding: one reader stops at the empty block, the other goes on behind it."""
    return data.rstrip(b"\0") + bytes(-len(data.rstrip(b"\0")) % BLOCK + BLOCK) + HIDDEN


HIDDEN = member("etc/cron.d/hidden", b"* * * * * root true\n") + bytes(2 * BLOCK)

FORGERIES: dict[str, Callable[[bytes], bytes]] = {
    "members behind an empty block": behind_an_empty_block,
    "members behind the end": lambda data: data + HIDDEN,
    "bytes behind the end": lambda data: data[:-1] + b"x",
    "more empty blocks": lambda data: data + bytes(20 * BLOCK),
    "no end": lambda data: data.rstrip(b"\0") + bytes(-len(data.rstrip(b"\0")) % BLOCK),
    "one member twice": lambda data: member("etc/hostname", b"x") + data,
    "a folder that others may write in": lambda data: data.replace(
        member("etc/", type=tarfile.DIRTYPE, mode=0o755),
        member("etc/", type=tarfile.DIRTYPE, mode=0o777),
    ),
    "another time": lambda data: (
        member("etc/", type=tarfile.DIRTYPE, mode=0o755, mtime=1) + data[BLOCK:]
    ),
    "another owner": lambda data: (
        member("etc/", type=tarfile.DIRTYPE, mode=0o755, uid=1000) + data[BLOCK:]
    ),
    "a device": lambda data: member("etc/disk", type=tarfile.BLKTYPE, devmajor=8) + data,
    "a pipe": lambda data: member("etc/pipe", type=tarfile.FIFOTYPE) + data,
    "a hard link": lambda data: member("etc/x", type=tarfile.LNKTYPE, linkname="etc/a") + data,
    "a size below zero": lambda data: member("etc/x", size=-512) + data,
    "a size without end": lambda data: member("etc/x", size=2**70) + data,
    "long names inside each other": lambda data: (
        member("././@LongLink", b"x\0", type=tarfile.GNUTYPE_LONGNAME) * 5000 + data
    ),
    "an extended header": lambda data: (
        member("etc/pax", b"17 path=etc/other\n", type=tarfile.XHDTYPE) + data
    ),
    "nothing": lambda _: b"",
}


def refused(boat: Boat, data: bytes) -> SettingsError:
    with pytest.raises(SettingsError) as caught:
        start_trial(boat.paths, boat.system, ask(data, hashlib.sha256(data).hexdigest()))
    return caught.value


@pytest.mark.parametrize("forge", FORGERIES.values(), ids=FORGERIES)
def test_only_the_one_form_is_taken(boat: Boat, forge: Callable[[bytes], bytes]) -> None:
    forged = forge(DATA)
    assert forged != DATA
    error = refused(boat, forged)
    assert (error.kind, error.status) == ("archive", Exit.REFUSED)


def test_any_changed_byte_is_refused(boat: Boat) -> None:
    """Any byte counts, but in the manifest's text, which may say something else."""
    choices = random.Random(1)
    text = read(DATA, DIGEST).contents[MANIFEST]
    start = DATA.index(text)
    paths = [index for index in range(len(DATA)) if not start <= index < start + len(text)]
    for _ in range(2000):
        changed = bytearray(DATA)
        changed[choices.choice(paths)] ^= choices.randrange(1, 256)
        with pytest.raises(SettingsError):
            read(bytes(changed), hashlib.sha256(changed).hexdigest())


def test_the_form_is_the_one_that_tarfile_writes(boat: Boat) -> None:
    """So that settings made before are the same bytes (tar() uses tarfile's own writer)."""
    tree = {
        "/etc/a": (0o644, b""),
        "/etc/é": (0o600, bytes(BLOCK)),
        f"/etc/{'n' * (MAX_NAME_BYTES - 4)}": (0o755, b"x" * (BLOCK + 1)),
        "/usr/b/c": "/dev/null",
    }
    assert written(tree) == tar(tree)[0]
    assert read(DATA, DIGEST).contents["/etc/hostname"] == b"kittiwake\n"


@pytest.mark.parametrize("path", [f"/etc/{'n' * MAX_NAME_BYTES}", f"/etc/{'é' * 49}/x"])
def test_a_name_that_is_too_long_cannot_be_written(path: str) -> None:
    with pytest.raises(ValueError, match="longer than 100 bytes"):
        written({path: (0o644, b"")})


def test_an_archive_that_is_too_large(boat: Boat) -> None:
    assert (
        f"more than {MAX_ARCHIVE_BYTES} bytes"
        in refused(boat, bytes(MAX_ARCHIVE_BYTES + 1)).message
    )


MANIFESTS = {
    "deep lists": b"[" * 100_000,
    "deep objects": b'{"a":' * 100_000,
    "deeper than any manifest": b"[" * 40 + b"]" * 40,
    "deep in a key": b'{"format": 1, "files": ' + b"[" * 500 + b"]" * 500 + b"}",
    "not a number": b'{"format": NaN}',
    "many digits": b'{"format": ' + b"1" * 5000 + b"}",
    "too long": b" " * 2**20 + b"{}",
    "not UTF-8": b'{"format": "\xff"}',
    "half a character": b'{"format": "\xed\xa0\x80"}',
}


@pytest.mark.parametrize("text", MANIFESTS.values(), ids=MANIFESTS)
def test_a_manifest_that_cannot_be_read(boat: Boat, text: bytes) -> None:
    error = refused(boat, tar({**NEW, MANIFEST: (0o644, text)})[0])
    assert (error.kind, error.status) == ("manifest", Exit.REFUSED)
    assert "cannot be read as JSON" in error.message


def test_a_manifest_with_half_a_character_in_a_path(boat: Boat) -> None:
    """JSON can write it, and no file system can name it."""
    forged, _ = pack(NEW, files={"/etc/\ud800": {"link": "x"}})
    assert refused(boat, forged).kind == "archive"


def test_a_pipe_in_the_new_archives_place_is_replaced(boat: Boat) -> None:
    os.mkfifo(boat.paths.store / f"{DIGEST}.tar")
    stage(boat.paths, boat.system, ask(DATA, DIGEST))
    assert (boat.paths.store / f"{DIGEST}.tar").read_bytes() == DATA
