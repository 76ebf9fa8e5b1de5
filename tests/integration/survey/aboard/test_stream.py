# SPDX-License-Identifier: GPL-3.0-or-later
"""The program aboard notices that the laptop is gone, and ends even when it hangs."""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Iterator
from contextlib import suppress

import pytest

from provision.survey.aboard import stream as module
from provision.survey.aboard.stream import LaptopGone, Stream


class Laptop:
    """The other end of the pipes."""

    def __init__(self) -> None:
        source, self.to = os.pipe()
        self.back, sink = os.pipe()
        self.killed = threading.Event()
        self.open = {source, self.to, self.back, sink}
        self.stream = Stream(source, sink, lambda _: self.killed.set(), patience=1.0)
        self.stream.start()

    def hang_up(self) -> None:
        self.open.discard(self.to)
        os.close(self.to)


@pytest.fixture
def laptop(monkeypatch: pytest.MonkeyPatch) -> Iterator[Laptop]:
    monkeypatch.setattr(module, "BEAT_S", 0.1)
    monkeypatch.setattr(module, "GRACE_S", 0.1)
    laptop = Laptop()
    yield laptop
    if laptop.to in laptop.open:
        laptop.hang_up()
    laptop.killed.wait(2)
    for end in laptop.open:
        os.close(end)


def test_messages_and_signs_of_life(laptop: Laptop) -> None:
    os.write(laptop.to, b'\n\n{"pause": ')
    time.sleep(0.25)
    os.write(laptop.to, b'["gnss"]}\n')
    assert laptop.stream.ask() == {"pause": ["gnss"]}
    laptop.stream.say("progress", device="/dev/ttyUSB0", state="trying")
    lines = [json.loads(line) for line in os.read(laptop.back, 4096).splitlines()]
    assert {"kind": "alive"} in lines
    assert lines[-1] == {"kind": "progress", "device": "/dev/ttyUSB0", "state": "trying"}


def test_a_laptop_that_hangs_up_ends_the_program_at_once(laptop: Laptop) -> None:
    laptop.hang_up()
    with pytest.raises(LaptopGone):
        laptop.stream.ask()
    assert laptop.stream.stop.wait(1)
    assert laptop.killed.wait(1)


def test_a_laptop_that_says_nothing_is_gone(laptop: Laptop) -> None:
    begun = time.monotonic()
    assert laptop.stream.stop.wait(3)
    assert 0.9 < time.monotonic() - begun < 2
    assert laptop.killed.wait(1)


def test_a_laptop_that_beats_stays(laptop: Laptop) -> None:
    for _ in range(8):
        os.write(laptop.to, b"\n")
        time.sleep(0.2)
    assert not laptop.stream.stop.is_set()


def test_a_laptop_that_reads_nothing_holds_no_link(laptop: Laptop) -> None:
    """The program hangs in writing, and is ended by force."""

    def flood() -> None:
        with suppress(OSError):
            for _ in range(200):
                laptop.stream.say("progress", device="x" * 1000, state="")

    threading.Thread(target=flood, daemon=True).start()
    time.sleep(0.3)
    laptop.hang_up()
    assert laptop.killed.wait(2)


def test_a_line_without_end_is_no_laptop(laptop: Laptop) -> None:
    for _ in range(2**16 // 2**12 + 3):
        os.write(laptop.to, b"x" * 2**12)
        time.sleep(0.01)
    assert laptop.stream.stop.wait(1)
