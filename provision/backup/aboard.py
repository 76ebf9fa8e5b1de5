# SPDX-License-Identifier: GPL-3.0-or-later
"""Read a boat's files over SFTP, and ask the boat for digests of them.

Nothing aboard is changed. The boat is not trusted: names, sizes and the number of files have
bounds.
"""

from __future__ import annotations

import json
import stat
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass

import paramiko

from provision.backup.rooms import ROOMS, Room

#: Files and folders of one room. A log of a year has some 400 files, charts may be 20,000.
MAX_FILES = 50_000

#: Bytes that are read at once.
PIECE_BYTES = 2**18

#: Requests that are under way at once, of 32 KiB each.
MAX_REQUESTS = 64

#: Seconds without an answer after which a connection counts as broken.
ANSWER_TIMEOUT_S = 60.0

#: What runs aboard: digests of the first bytes of files, at the lowest priority. It reads pairs of
#: length and path as one JSON text, and prints the digests as another. The text has no value in it.
DIGEST_COMMAND = """exec /usr/bin/python3 -I -c '
import hashlib, json, os, sys
os.nice(19)
found = []
for length, path in json.load(sys.stdin):
    digest = hashlib.sha256()
    try:
        with open(path, "rb") as file:
            while length and (piece := file.read(min(length, 1 << 20))):
                digest.update(piece)
                length -= len(piece)
    except OSError:
        length = 1
    found.append(None if length else digest.hexdigest())
print(json.dumps(found))
'"""


class Broken(Exception):
    """Say why the boat's files cannot be read to the end. What was copied before stays good."""


@dataclass(frozen=True)
class FileAboard:
    """Hold what the boat says of one file. `time` is its last change in seconds since 1970."""

    room: Room
    name: str
    size: int
    time: int

    @property
    def key(self) -> str:
        """Return its name in the backup."""
        return f"{self.room.name}/{self.name}"


class Aboard:
    """Hold the connection to one boat. `folders` are where its rooms are, for tests."""

    def __init__(
        self, transport: paramiko.Transport, folders: Mapping[str, str] | None = None
    ) -> None:
        self._transport = transport
        self._folders = {room.name: room.folder for room in ROOMS} | dict(folders or {})
        with _explained():
            sftp = paramiko.SFTPClient.from_transport(transport)
        if sftp is None:
            raise Broken("it offers no SFTP")
        self._sftp = sftp
        channel = sftp.get_channel()
        if channel is not None:
            channel.settimeout(ANSWER_TIMEOUT_S)

    def files(self, room: Room) -> list[FileAboard]:
        """List the files of a room, sorted. A room that is not there has none."""
        found, folders, seen = [], [""], 0
        # A list of folders that grows while it is read. No link is followed.
        for folder in folders:
            for entry in self._entries(room, folder):
                seen += 1
                if seen > MAX_FILES:
                    raise Broken(f"{room.folder} holds more than {MAX_FILES} files")
                path, mode = f"{folder}{entry.filename}", entry.st_mode or 0
                if not room.takes(path):
                    continue
                if stat.S_ISREG(mode):
                    size, time = entry.st_size or 0, int(entry.st_mtime or 0)
                    found.append(FileAboard(room, path, size, time))
                elif stat.S_ISDIR(mode) and room.deep:
                    folders.append(f"{path}/")
        return sorted(found, key=lambda file: file.name)

    def _entries(self, room: Room, folder: str) -> Iterator[paramiko.SFTPAttributes]:
        """Yield what is in a folder of a room. A folder that is not there has nothing."""
        with _explained(), suppress(FileNotFoundError):
            yield from self._sftp.listdir_iter(f"{self._folders[room.name]}/{folder}")

    def pieces(self, file: FileAboard, start: int) -> Iterator[bytes]:
        """Yield the file's bytes from `start` to the size that it had when it was listed."""
        left = file.size - start
        with _explained(), self._sftp.open(self._path(file), "rb") as source:
            source.seek(start)
            source.prefetch(file.size, MAX_REQUESTS)
            while left:
                piece = source.read(min(left, PIECE_BYTES))
                if not piece:
                    raise Broken(f"{file.key} ended early")
                left -= len(piece)
                yield piece

    def digests(self, asked: Sequence[tuple[FileAboard, int]]) -> list[str | None]:
        """Return the SHA-256 of the first bytes of files, as the boat reads them.

        None for a file that it cannot read so far.
        """
        if not asked:
            return []
        request = json.dumps([(length, self._path(file)) for file, length in asked]).encode()
        with _explained(), closing(self._transport.open_session(timeout=30)) as channel:
            # A gigabyte on a slow card takes some minutes, and nothing comes meanwhile.
            channel.settimeout(1800)
            channel.exec_command(DIGEST_COMMAND)
            channel.sendall(request)
            channel.shutdown_write()
            text = b""
            limit = 80 * (len(asked) + 1)
            while piece := channel.recv(65536):
                text += piece
                if len(text) > limit:
                    raise Broken("it sent more than was asked for")
        return _digests(text, len(asked))

    def _path(self, file: FileAboard) -> str:
        return f"{self._folders[file.room.name]}/{file.name}"


def _digests(text: bytes, count: int) -> list[str | None]:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        raise Broken("it could not calculate digests") from None
    right = isinstance(found, list) and len(found) == count
    if not right or not all(one is None or isinstance(one, str) for one in found):
        raise Broken("it answered otherwise than it was asked")
    return list(found)


@contextmanager
def _explained() -> Iterator[None]:
    """Say of any failure of the connection what it means."""
    try:
        yield
    except FileNotFoundError:
        raise
    except UnicodeDecodeError:
        raise Broken("it has names that are no UTF-8") from None
    except TimeoutError:
        raise Broken(f"it did not answer within {ANSWER_TIMEOUT_S:.0f} s") from None
    except (OSError, EOFError, paramiko.SSHException) as error:
        raise Broken(f"the connection broke: {error or type(error).__name__}") from None
