# SPDX-License-Identifier: GPL-3.0-or-later
"""Wires between instruments on sockets and adapters on pseudo-terminals, in real time."""

from __future__ import annotations

import os
import socket
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision.bench.hull.schema import Hull
from provision.bench.wire.wires import Wires

LINE, OTHER = b"$GPXTE,A,A,0.10,R,N*1C\r\n", b"$IIMWV,045.0,R,12.5,N,A*16\r\n"


class Boat:
    """Holds an emulated adapter: a terminal and the baud rate that the boat sets."""

    def __init__(self, device: Path) -> None:
        self.port = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def set(self, baud: int) -> None:
        attributes = termios.tcgetattr(self.port)
        attributes[4] = attributes[5] = getattr(termios, f"B{baud}")
        termios.tcsetattr(self.port, termios.TCSANOW, attributes)

    def read(self, seconds: float, enough: int = 10**6) -> bytes:
        end, heard = time.monotonic() + seconds, b""
        while time.monotonic() < end and len(heard) < enough:
            try:
                heard += os.read(self.port, 4096)
            except BlockingIOError:
                time.sleep(0.01)
        return heard


@contextmanager
def wired(folder: Path, **adapter: object) -> Iterator[tuple[Wires, Boat]]:
    """Yield the wires of a hull with one adapter, plugged in, and the boat's end."""
    hull = Hull.model_validate({"boat": "kittiwake", "adapters": {"gnss": adapter}})
    wires = Wires(hull, hull.adapters, folder)
    wires.start()
    boat = Boat(wires.devices["gnss"])
    try:
        wires.attach(["gnss"], attached=True)
        yield wires, boat
    finally:
        os.close(boat.port)
        wires.stop()


def play(wires: Wires, voice: str = "gnss") -> socket.socket:
    """Connect as the program that plays an instrument."""
    stream = socket.socket(socket.AF_UNIX)
    stream.settimeout(5)
    stream.connect(str(wires.socket(voice)))
    return stream


def instrument(baud: int = 4800, **keys: object) -> dict[str, object]:
    return {"baud": baud, "talks": ["XTE"], **keys}


def test_at_the_instruments_baud_rate_all_passes_both_ways(tmp_path: Path) -> None:
    with wired(tmp_path, instruments=[instrument()]) as (wires, boat), play(wires) as stream:
        boat.set(4800)
        for _ in range(3):
            stream.sendall(LINE)
        assert boat.read(5, 3 * len(LINE)) == 3 * LINE
        os.write(boat.port, LINE)
        assert stream.recv(100) == LINE


@pytest.mark.parametrize("baud", [1200, 9600, 38400, 115200])
def test_at_another_baud_rate_garbage_passes_both_ways(tmp_path: Path, baud: int) -> None:
    with wired(tmp_path, instruments=[instrument()]) as (wires, boat), play(wires) as stream:
        boat.set(baud)
        time.sleep(0.05)
        stream.sendall(LINE)
        heard = boat.read(0.5)
        assert heard
        assert LINE not in heard
        os.write(boat.port, LINE)
        assert stream.recv(100) != LINE


def test_the_boat_is_heard_again_once_it_sets_the_right_baud_rate(tmp_path: Path) -> None:
    with wired(tmp_path, instruments=[instrument(38400)]) as (wires, boat), play(wires) as stream:
        boat.set(4800)
        stream.sendall(LINE)
        assert LINE not in boat.read(0.5)
        boat.set(38400)
        stream.sendall(LINE)
        assert boat.read(5, len(LINE)) == LINE


def test_reversed_polarity_passes_no_sentence(tmp_path: Path) -> None:
    hull = {"inverted": True, "instruments": [instrument()]}
    with wired(tmp_path, **hull) as (wires, boat), play(wires) as stream:
        boat.set(4800)
        stream.sendall(LINE)
        heard = boat.read(0.5)
        assert len(heard) > 5
        assert LINE not in heard


def test_noise_comes_without_an_instrument(tmp_path: Path) -> None:
    with wired(tmp_path, noise=True) as (_, boat):
        boat.set(4800)
        assert len(boat.read(2)) > 20


def test_two_talkers_on_a_wire_have_a_socket_each(tmp_path: Path) -> None:
    hull = {"instruments": [instrument(), instrument()]}
    with wired(tmp_path, **hull) as (wires, boat), play(wires) as one:
        boat.set(4800)
        with play(wires, "gnss.2") as two:
            one.sendall(LINE)
            assert boat.read(5, len(LINE)) == LINE
            two.sendall(LINE)
            assert boat.read(5, len(LINE)) == LINE
            one.sendall(LINE)
            two.sendall(OTHER)
            heard = boat.read(0.5)
            assert LINE not in heard, "they talk over each other"
            assert OTHER not in heard


def test_what_is_sent_while_the_adapter_is_out_is_lost(tmp_path: Path) -> None:
    with wired(tmp_path, instruments=[instrument()]) as (wires, boat), play(wires) as stream:
        boat.set(4800)
        wires.attach(["gnss"], attached=False)
        time.sleep(0.05)
        stream.sendall(LINE * 5)
        assert boat.read(0.3) == b""
        wires.attach(["gnss"], attached=True)
        time.sleep(0.05)
        stream.sendall(LINE)
        assert boat.read(1) == LINE


def test_an_adapter_that_is_not_read_holds_little(tmp_path: Path) -> None:
    """The boat does not read a minute of what was sent before it began to read."""
    with wired(tmp_path, instruments=[instrument()]) as (wires, boat), play(wires) as stream:
        boat.set(4800)
        stream.setblocking(False)
        with pytest.raises(BlockingIOError):
            for _ in range(100_000):
                stream.send(LINE)
        time.sleep(0.2)
        assert len(os.read(boat.port, 65536)) < 1000


def test_another_program_may_play_the_instrument_after_the_first(tmp_path: Path) -> None:
    with wired(tmp_path, instruments=[instrument()]) as (wires, boat):
        boat.set(4800)
        for _ in range(2):
            with play(wires) as stream:
                stream.sendall(LINE)
                assert boat.read(5, len(LINE)) == LINE


def test_an_instrument_may_be_set_to_another_baud_rate(tmp_path: Path) -> None:
    with wired(tmp_path, instruments=[instrument()]) as (wires, boat), play(wires) as stream:
        boat.set(9600)
        stream.sendall(LINE)
        assert LINE not in boat.read(0.3)
        wires.set_baud("gnss", 9600)
        time.sleep(0.05)
        stream.sendall(LINE)
        assert LINE in boat.read(5, len(LINE))


def test_a_log_may_be_played_back_faster_than_the_wire(tmp_path: Path) -> None:
    """A second's worth of a wire that is full comes in less than half a second."""
    with wired(tmp_path, instruments=[instrument()]) as (wires, boat), play(wires) as stream:
        boat.set(4800)
        stream.sendall(LINE)
        assert boat.read(5, len(LINE)) == LINE
        begin = time.monotonic()
        stream.sendall(20 * LINE)
        assert boat.read(5, 20 * len(LINE)) == 20 * LINE
        assert time.monotonic() - begin < 0.5
