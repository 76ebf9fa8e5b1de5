# SPDX-License-Identifier: GPL-3.0-or-later
"""Cards that say 64 GB and hold less: found before anything of the image is on them.

A device model stands for the card: a sparse file of its real size under the size that it says.
"""

from __future__ import annotations

import errno
import os
import random
import signal
from mmap import mmap
from pathlib import Path

import pytest

from provision.card.device.block_devices import Device
from provision.card.device.direct_io import DirectTarget
from provision.card.device.progress_bars import Phase
from provision.card.device.size_marks import MIN_STEP_BYTES, SizeMarks, choose_offsets
from provision.card.device.write import write_card
from provision.errors import UserError

MIB, GB = 1 << 20, 10**9
SAID = 64 * GB // 4096 * 4096
#: Sizes that cards really have: a power of two, 7580 MiB as many cards, a gigabyte, 4 MiB less.
REAL = [8 << 30, 7580 * MIB, 1024 * MIB, (32 << 30) - 4 * MIB]


class Card(DirectTarget):
    """Stands for a good card, of which nothing takes room but what is written."""

    real = SAID

    @property
    def size(self) -> int:
        """Return what the card says."""
        return SAID

    def place(self, offset: int) -> int | None:
        """Return where an offset really lies, or None if it is lost."""
        return offset if offset < self.real else None

    def write(self, buffer: mmap, length: int, offset: int) -> None:
        """Write block by block."""
        for at in range(0, length, 4096):
            place = self.place(offset + at)
            if place is not None:
                os.pwrite(self.plain, buffer[at : min(at + 4096, length)], place)

    def read(self, buffer: mmap, length: int, offset: int) -> int:
        """Read block by block. Where nothing is, read 0xff."""
        for at in range(0, length, 4096):
            place = self.place(offset + at)
            size = min(4096, length - at)
            block = b"\xff" * size if place is None else os.pread(self.plain, size, place)
            buffer[at : at + size] = block.ljust(size, b"\0")
        return length

    def sync(self) -> None:
        """Have nothing to do."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.plain = os.open(path, os.O_RDWR)

    def close(self) -> None:
        """Close both."""
        os.close(self.plain)
        super().close()


class Wraps(Card):
    """Begins again from the start behind its real end."""

    def place(self, offset: int) -> int | None:
        """Return where an offset really lies."""
        return offset % self.real


class Loses(Card):
    """Takes what is written behind its real end, and loses it."""


class Refuses(Card):
    """Reports an error behind its real end, at writing."""

    def write(self, buffer: mmap, length: int, offset: int) -> None:
        """Fail behind the real end."""
        if offset + length > self.real:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        super().write(buffer, length, offset)


class Unreadable(Card):
    """Reports an error behind its real end, at reading only."""

    def read(self, buffer: mmap, length: int, offset: int) -> int:
        """Fail behind the real end."""
        if offset + length > self.real:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().read(buffer, length, offset)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "kittiwake.img"
    path.write_bytes(random.Random(6).randbytes(5 * MIB))
    return path


@pytest.fixture
def device(tmp_path: Path) -> Device:
    path = tmp_path / "card"
    path.touch()
    return Device(path, "loop", SAID)


class Follower:
    """Notes which phases of the work were begun."""

    def __init__(self) -> None:
        self.phases: list[Phase] = []

    def __call__(self, phase: Phase, done: int, total: int) -> None:
        if phase not in self.phases:
            self.phases.append(phase)


def write(
    image: Path, device: Device, kind: type[Card], real: int, follower: Follower | None = None
) -> None:
    """Write to a card of that kind and real size."""
    model = type("Model", (kind,), {"real": real})
    write_card(image, device, open_target=model, progress=follower or Follower())


@pytest.mark.parametrize("real", REAL)
@pytest.mark.parametrize("kind", [Wraps, Loses, Refuses, Unreadable])
def test_a_card_smaller_than_it_says_gets_nothing_of_the_image(
    image: Path, device: Device, kind: type[Card], real: int
) -> None:
    follower = Follower()
    with pytest.raises(UserError, match=r"says that it holds 64.0 GB, and holds some") as caught:
        write(image, device, kind, real, follower)
    assert follower.phases == [Phase.TEST_SIZE]
    said = float(caught.value.message.split("holds some ")[1].split(" GB")[0])
    assert real / GB - 0.06 <= said <= (real + MIN_STEP_BYTES) / GB + 0.06
    assert "counterfeit" in caught.value.hint
    with device.path.open("rb") as card:
        assert card.read(4096) != image.read_bytes()[:4096]


def test_a_card_that_holds_what_it_says_is_written(image: Path, device: Device) -> None:
    follower = Follower()
    write(image, device, Card, SAID, follower)
    assert follower.phases == [Phase.TEST_SIZE, Phase.WRITE, Phase.READ_BACK]
    with device.path.open("rb") as card:
        assert card.read(5 * MIB) == image.read_bytes()


def test_a_card_that_lacks_its_last_block_only(image: Path, device: Device) -> None:
    with pytest.raises(UserError, match=r"says that it holds 64.0 GB"):
        write(image, device, Loses, SAID - 4096)


@pytest.mark.parametrize("real", [7580 * MIB + 4096, 5 * GB // 4096 * 4096, 2**32 + 12 * 4096])
def test_a_card_that_begins_again_anywhere_is_found_after_the_image(
    tmp_path: Path, device: Device, real: int
) -> None:
    """No two marks share a place here, but a mark lies where the image was then written."""
    long = tmp_path / "long.img"
    with long.open("wb") as file:
        file.write(random.Random(7).randbytes(MIN_STEP_BYTES + 4096))
    follower = Follower()
    with pytest.raises(UserError, match=r"says that it holds 64.0 GB"):
        write(long, device, Wraps, real, follower)
    assert follower.phases == [Phase.TEST_SIZE, Phase.WRITE, Phase.READ_BACK]


def test_a_card_that_takes_nothing_is_found_at_once(image: Path, device: Device) -> None:
    with pytest.raises(UserError, match="does not keep what is written to it"):
        write(image, device, Loses, 0)


def test_marks_of_before_are_no_marks(image: Path, device: Device) -> None:
    """A card that turned read-only still has the marks of the time before."""
    with Card(device.path) as target:
        for _ in SizeMarks(SAID).write(target):
            pass

    class ReadOnly(Card):
        def write(self, buffer: mmap, length: int, offset: int) -> None:
            pass

    with pytest.raises(UserError, match="does not keep"):
        write(image, device, ReadOnly, SAID)


def test_every_multiple_of_the_near_distance_is_found() -> None:
    """Pure arithmetic: at each real size, two marks share a place."""
    shuffled = random.Random(8)
    for size in (SAID, 2 * SAID, 16 * GB // 4096 * 4096):
        offsets = choose_offsets(size)
        assert offsets[-1] == size - 4096
        near = offsets[1]
        for _ in range(300):
            real = shuffled.randrange(1, (size - MIN_STEP_BYTES) // near) * near
            assert len({offset % real for offset in offsets}) < len(offsets), real


@pytest.mark.parametrize("size", [4096, 8192, MIB, 8 * MIB, 10**12 // 512 * 512, 10 * MIB + 512])
def test_marks_lie_on_the_card_and_are_few(size: int) -> None:
    offsets = choose_offsets(size)
    assert offsets[0] == 0
    assert size - 8192 < offsets[-1] <= size - 4096
    assert len(offsets) == len(set(offsets)) <= 1200
    assert not any(offset % 4096 for offset in offsets)


def test_a_card_that_is_taken_out_during_the_test(image: Path, device: Device) -> None:
    class Gone(Card):
        def write(self, buffer: mmap, length: int, offset: int) -> None:
            if offset >= GB:
                raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
            super().write(buffer, length, offset)

    with pytest.raises(
        UserError, match=r"Testing the size failed \(No such device\): the card was"
    ):
        write(image, device, Gone, SAID)


def test_interrupted_during_the_test_it_says_that_the_card_is_unusable(
    image: Path, device: Device
) -> None:
    def interrupt(phase: Phase, done: int, total: int) -> None:
        assert phase is Phase.TEST_SIZE
        os.kill(os.getpid(), signal.SIGTERM)

    with pytest.raises(UserError, match=r"Testing the size was interrupted.*is unusable"):
        write_card(image, device, open_target=Card, progress=interrupt)


def test_another_card_of_another_size_is_not_touched(image: Path, device: Device) -> None:
    """The card was changed after the device was looked at."""
    smaller = Device(device.path, "loop", SAID // 2)
    with pytest.raises(UserError, match=r"is not what it was.*nothing was written"):
        write_card(image, smaller, open_target=Card)
    assert device.path.stat().st_size == 0
