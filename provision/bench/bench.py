# SPDX-License-Identifier: GPL-3.0-or-later
"""Run a virtual boat that boots the boat's own card, unchanged."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import tempfile
import time
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from provision.bench.hull.derive import derive
from provision.bench.hull.schema import Hull
from provision.bench.qemu.build import build_machine
from provision.bench.qemu.ports import hold_port, port_of
from provision.bench.simulation.instruments import Instruments
from provision.bench.tablet_client import TabletClient
from provision.bench.wire.wires import Wires
from provision.boards import Board
from provision.checks.network.wifi import channel_frequency
from provision.errors import Location, UserError
from provision.profile.schema.boat import Profile
from provision.profile.secrets.store import Secrets, derive_psk
from provision.progress import note

#: Maximum length of a socket's path in octets (unix(7)).
MAX_SOCKET_PATH_BYTES = 107

#: What to do about a boat that does not come up.
_CONSOLE_HINT = "the end of what the boat's console printed says why"


class Bench:
    """Run one virtual boat. Use it in a `with`, so that nothing is left running.

    Its files are in `folder`. After an error the folder keeps the logs only, and otherwise it is
    removed.

    `hull` is the boat as it is, by default what its profile says. `seed` shuffles the order in
    which the adapters are plugged in. `date` (aware) is the simulated boat's time, by default the
    present. `clock_chip` is the time of the board's own clock at every power-on. `processors` holds
    for boards whose emulation does not fix their number.
    """

    def __init__(  # noqa: PLR0913
        self,
        profile: Profile,
        secrets: Secrets,
        board: Board,
        card: Path,
        *,
        hull: Hull | None = None,
        instruments: bool = True,
        seed: int = 0,
        date: datetime | None = None,
        clock_chip: datetime | None = None,
        processors: int = 2,
    ) -> None:
        self.profile = profile
        self.secrets = secrets
        self.board = board
        self.hull = hull or derive(profile)
        self.folder = _make_folder(self.hull)
        self._held = [hold_port(), hold_port(), hold_port()]
        self.ssh_port, self.feed_port, self.page_port = map(port_of, self._held)
        try:
            ports = (self.ssh_port, self.feed_port, self.page_port)
            self.emulator = build_machine(profile, self.hull, board, card, self.folder, ports, seed)
            self.emulator.date = clock_chip
            self.emulator.processors = processors
            self.wires = Wires(self.hull, self.emulator.adapters, self.folder)
            self.emulator.devices = self.wires.devices
            self.tablet = TabletClient(self.emulator.tablet)
            self.instruments: Instruments | None = None
            if instruments:
                self.instruments = Instruments(self.hull, self.sockets(), date=date)
        except BaseException:
            self._clear_away(logs=False)
            raise

    def sockets(self) -> dict[str, Path]:
        """Return one socket per instrument and network, where any program may play it."""
        return {**self._voices(), **self._networks()}

    def _voices(self) -> dict[str, Path]:
        return {
            voice: self.wires.socket(voice)
            for adapter in self.emulator.adapters
            for voice in self.hull.voices(adapter)
        }

    def _networks(self) -> dict[str, Path]:
        return {name: self.emulator.socket(name) for name in self.emulator.networks}

    def power_on(self) -> None:
        """Switch the boat's power on."""
        self.emulator.power_on()
        self.wires.attach(self.emulator.adapters, attached=True)
        self.tablet.connect()

    def power_cut(self) -> None:
        """Cut the boat's power."""
        self.tablet.close()
        self.wires.attach(self.emulator.adapters, attached=False)
        self.emulator.power_cut()

    def unplug(self, adapter: str) -> None:
        """Pull an adapter out of its socket."""
        self.wires.attach([adapter], attached=False)
        self.emulator.unplug(adapter)

    def plug(self, adapter: str) -> None:
        """Put an adapter into its socket."""
        self.emulator.plug(adapter)
        self.wires.attach([adapter], attached=True)

    def __enter__(self) -> Self:
        try:
            self.wires.start()
            self.power_on()
            if self.instruments:
                self.instruments.start()
        except BaseException:
            self._end()
            self._clear_away(logs=False)
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        failed = isinstance(error, Exception)
        try:
            if failed:
                # An error of the emulator explains more than the error that it caused.
                self.emulator.check()
        finally:
            self._end()
            self._clear_away(logs=failed)
            if failed:
                note(f"the boat's console printed: {self.emulator.console}")

    def _end(self) -> None:
        if self.instruments:
            self.instruments.stop()
        self.power_cut()
        self.wires.stop()

    def _clear_away(self, *, logs: bool) -> None:
        """Release the ports, and remove the folder except for its `logs`."""
        for held in self._held:
            held.close()
        if not logs:
            shutil.rmtree(self.folder, ignore_errors=True)
            return
        for path in self.folder.iterdir():
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            elif path.suffix != ".log":
                path.unlink()

    def set_baud(self, link: str, baud: int) -> None:
        """Set an instrument to another baud rate. Raise UserError without such an instrument."""
        if link not in self._voices():
            raise UserError(
                f"there is no instrument {link}; there are {', '.join(self._voices())}",
                hint="name one of them",
            )
        self.wires.set_baud(link, baud)
        if self.instruments:
            self.instruments.set_baud(link, baud)

    @property
    def talks(self) -> bool:
        """Tell if an instrument sends anything."""
        if self.instruments is None:
            return False
        adapters = (self.hull.adapters[name] for name in self.emulator.adapters)
        return any(
            instrument.talks and instrument.powered
            for adapter in adapters
            for instrument in adapter.instruments
        ) or any(self.hull.networks[name].talks for name in self.emulator.networks)

    @property
    def feed_answers(self) -> bool:
        """Tell if this computer, which is at the boat's wired port, reaches the feed."""
        return self.profile.network.wired == "boat"

    @property
    def ssh_answers(self) -> bool:
        """Tell if the boat takes logins from this computer."""
        return self.feed_answers or self.profile.access.from_shore

    def wait(self, seconds: float = 240) -> None:
        """Wait until the boat answers: over SSH or, where it takes no login, on its tablet."""
        if self.ssh_answers:
            self.wait_for_ssh(seconds)
        else:
            self.tablet.wait(seconds)

    def wait_for_ssh(self, seconds: float = 240) -> None:
        """Wait until the boat answers SSH."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.emulator.check()
            if not self.emulator.running:
                raise UserError("the boat has switched itself off", hint=_CONSOLE_HINT)
            # The emulator accepts at once. Only a banner proves that the boat answers.
            with (
                contextlib.suppress(OSError),
                socket.create_connection(("127.0.0.1", self.ssh_port), timeout=5) as stream,
            ):
                stream.settimeout(5)
                if stream.recv(4) == b"SSH-":
                    return
            time.sleep(0.2)
        raise UserError("the boat does not answer SSH", hint=_CONSOLE_HINT)

    def join(self, seconds: float = 240, mac: str = "", tablet: str = "") -> dict[str, Any]:
        """Let the tablet join the boat's access point and get an address.

        With another hardware address `mac` it is another tablet. With the name of a tablet of the
        profile it has that tablet's hardware address, and its own pass-phrase if it has one.
        """
        self.tablet.wait(seconds)
        point = self.profile.network.access_point
        pass_phrase = self.secrets.own_pass_phrases.get(tablet, self.secrets.pass_phrase)
        if tablet:
            mac = self.profile.network.tablets[tablet].mac
        return self.tablet.ask(
            "join",
            seconds=seconds,
            ssid=point.ssid.encode().hex(),
            psk=derive_psk(pass_phrase, point.ssid),
            frequency=channel_frequency(point.channel),
            mac=mac,
        )

    def read(self, seconds: float = 30, lines: int = 0) -> dict[str, Any]:
        """Let the tablet read the feed."""
        return self.tablet.ask(
            "listen",
            host=str(self.profile.network.address.ip),
            port=self.profile.feed.tcp,
            seconds=seconds,
            lines=lines,
        )

    def _page(self) -> dict[str, Any]:
        """Return how to reach the boat's page, if the profile has one."""
        if self.profile.page is None:
            return {}
        reached = {"host": "127.0.0.1", "port": self.page_port} if self.feed_answers else None
        return {"page": reached}

    def where(self) -> dict[str, Any]:
        """Return how to reach the boat and what is around it. Null for what it refuses."""
        return {
            "boat": self.profile.boat,
            "ssh": {"host": "127.0.0.1", "port": self.ssh_port, "user": "root"}
            if self.ssh_answers
            else None,
            "feed": {"host": "127.0.0.1", "port": self.feed_port} if self.feed_answers else None,
            **self._page(),
            "links": {voice: str(path) for voice, path in self._voices().items()},
            # Struct can_frame, sixteen bytes each, instead of sentences.
            "networks": {name: str(path) for name, path in self._networks().items()},
            "console": str(self.emulator.console),
        }


def _make_folder(hull: Hull) -> Path:
    """Make a new folder for one bench. Keep its path short enough for socket names."""
    folder = Path(tempfile.mkdtemp(prefix="bench-"))
    # The longest name is that of an instrument after the ninth on a wire.
    names = [f"/link-{name}.10" for name in [*hull.adapters, *hull.networks]]
    if len(os.fsencode(folder)) + max(map(len, names), default=0) <= MAX_SOCKET_PATH_BYTES:
        return folder
    folder.rmdir()
    hint = "set TMPDIR to one with a shorter name, such as /tmp"
    raise UserError(
        "sockets in this folder cannot be named", location=Location(folder.parent), hint=hint
    )
