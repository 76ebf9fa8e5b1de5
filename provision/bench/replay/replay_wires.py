# SPDX-License-Identifier: GPL-3.0-or-later
"""Connect a replay to sockets of a held bench, or to pseudo-terminals of this computer.

Like a serial line, a wire does not wait: a sentence that is not taken at once is lost as a whole.
What comes the other way is read and dropped, since a full socket would stop the emulator.
"""

from __future__ import annotations

import asyncio
import errno
import json
import os
import select
import socket
import tty
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

from provision.errors import Location, UserError

#: The least that the kernel grants a socket: unread sentences must not pile up on the wire.
SEND_BUFFER_BYTES = 4608

#: Configuration of a feed on this computer, beside the terminals that it opens.
CONFIG_FILE = "feed.json"


class ReplayWire:
    """Hold the near end of a wire. Make it inside a running loop."""

    def __init__(self, name: str, handle: int) -> None:
        """`handle` is a non-blocking descriptor, which stays the caller's."""
        self._name = name
        self._handle = handle
        self._loop = asyncio.get_running_loop()
        self._rest = b""
        self._gone = False
        self._away = False
        self._loop.add_reader(handle, self._drop)

    def carry(self, line: bytes) -> bool:
        """Send a line unless the one before is still waiting. Return True if it was sent.

        Raise UserError if the other end has closed for good.
        """
        if self._gone:
            raise UserError(
                f"the other end of {self._name} has closed",
                hint="see whether the bench still runs, and begin again",
            )
        if self._away and is_open(self._handle):
            self._away = False
            self._loop.add_reader(self._handle, self._drop)
        if self._rest or self._away:
            return False
        written = self._write(line)
        if 0 < written < len(line):
            self._rest = line[written:]
            self._loop.add_writer(self._handle, self._go_on)
        return written > 0

    def _write(self, data: bytes) -> int:
        try:
            return os.write(self._handle, data)
        except BlockingIOError:
            return 0
        except OSError as error:
            self._hung_up(error)
            return 0

    def _go_on(self) -> None:
        self._rest = self._rest[self._write(self._rest) :]
        if not self._rest:
            self._loop.remove_writer(self._handle)

    def _drop(self) -> None:
        try:
            if not os.read(self._handle, 65536):
                self._hung_up(None)
        except BlockingIOError:
            return
        except OSError as error:
            self._hung_up(error)

    def _hung_up(self, error: OSError | None) -> None:
        # A program may close a terminal and open it again. A socket is not served twice.
        self._away = error is not None and error.errno == errno.EIO
        self._gone = not self._away
        self._rest = b""
        self.close()

    def close(self) -> None:
        """Stop watching the descriptor."""
        self._loop.remove_reader(self._handle)
        self._loop.remove_writer(self._handle)


@contextmanager
def connect_sockets(paths: Mapping[str, Path]) -> Iterator[dict[str, int]]:
    """Connect to a held bench's sockets. Yield the descriptors by link."""
    with ExitStack() as stack:
        found = {}
        for link, path in paths.items():
            end = stack.enter_context(socket.socket(socket.AF_UNIX))
            end.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
            try:
                end.connect(str(path))
            except OSError as error:
                raise UserError(
                    f"the socket of {link} does not answer: {error.strerror}",
                    location=Location(path),
                    hint="is the bench still held, and its power on?",
                ) from error
            end.setblocking(False)
            found[link] = end.fileno()
        yield found


@contextmanager
def open_terminals(folder: Path, links: Iterable[str]) -> Iterator[dict[str, int]]:
    """Open pseudo-terminals, by link. A feed opens `folder`/LINK.

    Put a configuration for that feed beside the terminals, unless there is one already.
    """
    with ExitStack() as stack:
        found, devices = {}, {}
        folder.mkdir(parents=True, exist_ok=True)
        for link in links:
            far, near = os.openpty()
            stack.callback(os.close, far)
            tty.setraw(near)
            os.set_blocking(far, False)
            # The name of a sender on the network contains its address. A link aboard may have any
            # name.
            safe = (char if char.isprintable() and char != "/" else "_" for char in link)
            device = folder / "".join(safe)
            if device.is_symlink() and str(device.readlink()).startswith("/dev/pts/"):
                device.unlink()  # what a replay left that was killed
            elif device.is_symlink() or device.exists():
                raise UserError(
                    "is there already; it stays as it is",
                    location=Location(device),
                    hint="name a folder that is new",
                )
            device.symlink_to(os.ttyname(near))
            stack.callback(device.unlink, missing_ok=True)
            os.close(near)
            found[link], devices[link] = far, str(device.absolute())
        config = folder / CONFIG_FILE
        if not config.exists():
            config.write_text(json.dumps(_config(folder, devices), indent=2) + "\n")
        yield found


def _config(folder: Path, devices: Mapping[str, str]) -> dict[str, object]:
    """Return the configuration of a feed on the loopback that takes what the boat took."""
    return {
        "links": {link: {"device": device, "long": True} for link, device in devices.items()},
        "outputs": {"tcp": {"port": 10110, "address": "127.0.0.1"}},
        "state": {"socket": str(folder.absolute() / "state.sock")},
    }


def is_open(terminal: int) -> bool:
    """Tell if a program has the near end of this pseudo-terminal open."""
    poll = select.poll()
    # poll reports hang-ups in any case.
    poll.register(terminal, 0)
    return not poll.poll(0)
