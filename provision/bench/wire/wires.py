# SPDX-License-Identifier: GPL-3.0-or-later
"""Carry all wires of a bench in a thread of their own."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from provision.bench.hull.schema import Hull
from provision.bench.loop_thread import LoopThread
from provision.bench.wire.terminal import Terminal
from provision.bench.wire.wire import Wire


class Wires:
    """Hold a pseudo-terminal for each of these adapters of a hull, and carry what is said there.

    `socket(VOICE)` below `folder` is where a program plays an instrument.
    """

    def __init__(self, hull: Hull, adapters: Iterable[str], folder: Path) -> None:
        self._hull, self._folder = hull, folder
        self._terminals = {name: Terminal() for name in adapters}
        self._wires = {
            name: Wire(
                hull.adapters[name], terminal, [self.socket(voice) for voice in hull.voices(name)]
            )
            for name, terminal in self._terminals.items()
        }
        self.devices = {name: terminal.device for name, terminal in self._terminals.items()}
        """The device that the emulator opens for each adapter."""
        self._thread = LoopThread("wires", lambda: [wire.run() for wire in self._wires.values()])

    def socket(self, voice: str) -> Path:
        """Return the socket where an instrument is played."""
        return self._folder / f"link-{voice}"

    def attach(self, adapters: Iterable[str], *, attached: bool) -> None:
        """Plug these adapters in, or out. Names without a wire are ignored."""
        for name in adapters:
            if self._thread.loop and (wire := self._wires.get(name)):
                self._thread.call(wire.attach, attached)

    def set_baud(self, voice: str, baud: int) -> None:
        """Set an instrument's end of its wire to another baud rate. KeyError without such a one."""
        wire = self._wires[voice.partition(".")[0]]
        index = list(self._hull.voices(voice.partition(".")[0])).index(voice)
        if self._thread.loop:
            self._thread.call(wire.set_baud, index, baud)

    def start(self) -> None:
        """Begin to carry."""
        self._thread.start()

    def stop(self) -> None:
        """Stop carrying, and close everything."""
        self._thread.stop()
        for terminal in self._terminals.values():
            terminal.close()
        self._terminals = {}
