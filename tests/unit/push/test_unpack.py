# SPDX-License-Identifier: GPL-3.0-or-later
"""`push --dry-run` takes only regular files of a boat."""

import gzip
import io
import tarfile

import pytest

from provision.push.query.diff import unpack
from provision.render import File


def _tar(content: bytes) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w") as tar:
        member = tarfile.TarInfo("etc/one")
        member.size, member.mode = len(content), 0o644
        tar.addfile(member, io.BytesIO(content))
    return buffer.getvalue()


def test_a_plain_archive_is_read() -> None:
    assert unpack(_tar(b"one\n")) == {"/etc/one": File(b"one\n", 0o644)}


def test_a_compressed_archive_is_refused_before_it_grows() -> None:
    with pytest.raises(tarfile.ReadError):
        unpack(gzip.compress(_tar(bytes(1 << 20))))
