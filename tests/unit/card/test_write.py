# SPDX-License-Identifier: GPL-3.0-or-later
"""Writing a card, on plain files, with bad devices simulated at the very edge."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import os
import random
import signal
import subprocess

import pytest
from rich.console import Console

from provision.card.device.block_devices import find_device
from provision.card.device.compare import MAX_BAD_RUNS, RETRY_BYTES
from provision.card.device.direct_io import DirectTarget
from provision.card.device.plan import CHUNK_BYTES
from provision.card.device.progress_bars import Phase, progress_bars
from provision.card.device.write import write_card
from provision.card.image.identity import read_boat_name
from provision.card.layout.extents import BLOCK_BYTES
from provision.errors import UserError

MIB = 1 << 20


def noise(size):
    return random.Random(size).randbytes(size)


@pytest.fixture
def image(tmp_path):
    """Three pieces, the last of them short, with a hole in the middle."""
    path = tmp_path / "kittiwake.img"
    with path.open("wb") as file:
        file.write(noise(CHUNK_BYTES))
        file.seek(2 * CHUNK_BYTES)
        file.write(noise(MIB))
    return path


@pytest.fixture
def card(tmp_path):
    """Give a used card, larger than the image, without a zero on it."""
    path = tmp_path / "card"
    path.write_bytes(b"\xaa" * (4 * CHUNK_BYTES))
    return find_device(path)


def test_every_byte_arrives_and_nothing_behind_it_changes(image, card):
    said = []
    done = write_card(image, card, progress=lambda *report: said.append(report))
    size = image.stat().st_size
    content = card.path.read_bytes()
    assert hashlib.sha256(content[:size]).digest() == hashlib.sha256(image.read_bytes()).digest()
    assert content[size:] == b"\xaa" * (4 * CHUNK_BYTES - size)
    assert (done.size, done.written, done.cache_mode) == (size, size, "O_DIRECT")
    assert said == [
        (phase, min((n + 1) * CHUNK_BYTES, size), size)
        for phase in (Phase.WRITE, Phase.READ_BACK)
        for n in range(3)
    ]


def test_holes_become_zeros(image, card):
    assert image.stat().st_blocks * 512 < image.stat().st_size  # there is a hole
    write_card(image, card)
    assert card.path.read_bytes()[CHUNK_BYTES : 2 * CHUNK_BYTES] == bytes(CHUNK_BYTES)


@pytest.mark.parametrize("rest", [1, 511, 512, 4095, 5000])
def test_a_size_that_is_no_multiple_of_anything(tmp_path, card, rest):
    image = tmp_path / "odd.img"
    image.write_bytes(noise(CHUNK_BYTES + rest))
    write_card(image, card)
    content = card.path.read_bytes()
    assert content[: CHUNK_BYTES + rest] == image.read_bytes()
    assert content[CHUNK_BYTES + rest :] == b"\xaa" * (3 * CHUNK_BYTES - rest)


@pytest.fixture(params=["open", "write"])
def no_o_direct(request, monkeypatch):
    """Give a file system that refuses O_DIRECT, either at once or at the first transfer."""
    real_open, real_write = os.open, os.pwrite

    def refusing_open(path, flags, *rest, **keys):
        if flags & os.O_DIRECT:
            raise OSError(errno.EINVAL, "O_DIRECT is refused")
        return real_open(path, flags, *rest, **keys)

    def refusing_write(fd, *rest):
        import fcntl  # noqa: PLC0415

        if fcntl.fcntl(fd, fcntl.F_GETFL) & os.O_DIRECT:
            raise OSError(errno.EINVAL, "O_DIRECT is refused")
        return real_write(fd, *rest)

    if request.param == "open":
        monkeypatch.setattr(os, "open", refusing_open)
    else:
        monkeypatch.setattr(os, "pwrite", refusing_write)


def test_without_o_direct_it_says_so(image, card, no_o_direct):
    done = write_card(image, card)
    assert done.cache_mode == "fsync and POSIX_FADV_DONTNEED"
    assert card.path.read_bytes()[: done.size] == image.read_bytes()


class Worn(DirectTarget):
    """Stands for a card with a cell that no longer takes a one."""

    bad = CHUNK_BYTES + 12345

    def write(self, buffer, length, offset):
        if offset <= self.bad < offset + length:
            buffer[self.bad - offset] |= 1
        super().write(buffer, length, offset)


class Smaller(DirectTarget):
    """Stands for a card that claims a size it does not have, and begins again from the start."""

    real = CHUNK_BYTES

    def write(self, buffer, length, offset):
        super().write(buffer, length, offset % self.real)

    def read(self, buffer, length, offset):
        return super().read(buffer, length, offset % self.real)


class Deaf(DirectTarget):
    """Stands for a worn-out card that turned read-only, and reports no error."""

    def write(self, buffer, length, offset):
        pass


class Torn(DirectTarget):
    """Stands for a card that loses the last block of each piece, as at a write that was cut."""

    def write(self, buffer, length, offset):
        super().write(buffer, length - BLOCK_BYTES, offset)


@pytest.mark.parametrize(
    ("kind", "first"),
    [(Worn, Worn.bad), (Smaller, 0), (Deaf, 0), (Torn, CHUNK_BYTES - BLOCK_BYTES)],
)
def test_a_lying_card_is_found_out_at_the_first_bad_byte(image, card, kind, first):
    with pytest.raises(UserError) as caught:
        write_card(image, card, open_target=kind)
    assert f"the first difference is at byte {first};" in caught.value.message
    assert "unusable" in caught.value.message
    assert "another card" in caught.value.hint


def test_a_card_that_ends_early_is_found_out(image, card):
    class Short(DirectTarget):
        def read(self, buffer, length, offset):
            return min(super().read(buffer, length, offset), max(0, 6 * MIB - offset))

    with pytest.raises(UserError, match=f"at byte {6 * MIB};"):
        write_card(image, card, open_target=Short)


def test_every_bad_block_is_named_and_nothing_else(image, card):
    """Cells that changed, in three blocks of which two are neighbours."""

    class Flipped(DirectTarget):
        def sync(self):
            super().sync()
            with self.path.open("r+b") as cells:
                for at in (9_999, 12_288, 5 * MIB):
                    byte = os.pread(cells.fileno(), 1, at)
                    os.pwrite(cells.fileno(), bytes([byte[0] ^ 0x10]), at)

    with pytest.raises(UserError) as caught:
        write_card(image, card, open_target=Flipped)
    assert (
        f"the first difference is at byte 9999; bad are bytes 8192 to 16383; bytes {5 * MIB} to "
        f"{5 * MIB + 4095}; the card"
    ) in caught.value.message


def test_blocks_that_cannot_be_read_are_named_and_the_rest_is_still_compared(image, card):
    class Scratched(Worn):
        """Has a spot that cannot be read, and further back a cell that is stuck."""

        spot = MIB + 70_000

        def read(self, buffer, length, offset):
            if offset <= self.spot < offset + length:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return super().read(buffer, length, offset)

    with pytest.raises(UserError) as caught:
        write_card(image, card, open_target=Scratched)
    first, stuck = MIB + RETRY_BYTES, Worn.bad - Worn.bad % 4096
    assert (
        f"the first difference is at byte {first}; bad are bytes {first} to "
        f"{first + RETRY_BYTES - 1}; bytes {stuck} to {stuck + 4095}; the card"
    ) in caught.value.message


def test_a_card_that_is_bad_everywhere_is_not_read_to_its_end(tmp_path, card):
    """Each block of a dying card may take seconds: enough is named, and the work ends."""
    image = tmp_path / "long.img"
    image.write_bytes(noise(4 * CHUNK_BYTES))
    steps = []

    class Dead(DirectTarget):
        def read(self, buffer, length, offset):
            if length == RETRY_BYTES:
                steps.append(offset)
                if offset // RETRY_BYTES % 2:
                    return super().read(buffer, length, offset)
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    with pytest.raises(UserError, match="and more, perhaps; the card is unusable"):
        write_card(image, card, open_target=Dead)
    assert len(steps) == 2 * MAX_BAD_RUNS + 1


def failing(method, number):
    """Return a device that fails in its second piece."""

    def fail(self, buffer, length, offset):
        if offset >= CHUNK_BYTES:
            raise OSError(number, os.strerror(number))
        return getattr(DirectTarget, method)(self, buffer, length, offset)

    return type("Failing", (DirectTarget,), {method: fail})


@pytest.mark.parametrize(
    ("method", "number", "said"),
    [
        ("write", errno.ENOSPC, "Writing failed (No space left on device)"),
        ("write", errno.EIO, "the card was taken out or is bad"),
        ("write", errno.ENODEV, "the card was taken out or is bad"),
        ("read", errno.ENOMEDIUM, "Reading back failed"),
    ],
)
def test_a_failing_device_leaves_an_unusable_card(image, card, method, number, said):
    with pytest.raises(UserError) as caught:
        write_card(image, card, open_target=failing(method, number))
    assert said in caught.value.message
    assert f"after 4 of 9 MiB, at byte {CHUNK_BYTES};" in caught.value.message
    assert "unusable" in caught.value.message


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("phase", [Phase.WRITE, Phase.READ_BACK])
def test_interrupted_it_says_that_the_card_is_unusable(image, card, number, phase):
    before = signal.getsignal(number)

    def interrupt(now, done, total):
        if now is phase and done > CHUNK_BYTES:
            os.kill(os.getpid(), number)

    with pytest.raises(UserError) as caught:
        write_card(image, card, progress=interrupt)
    assert f"{phase.value} was interrupted after 8 of 9 MiB" in caught.value.message
    assert "unusable" in caught.value.message
    assert signal.getsignal(number) is before


def test_erased_holds_nothing_of_before(image, card):
    done = write_card(image, card, erase=True)
    size = image.stat().st_size
    content = card.path.read_bytes()
    assert content == image.read_bytes() + bytes(4 * CHUNK_BYTES - size)
    assert done.written == 4 * CHUNK_BYTES


def test_an_image_that_becomes_shorter_is_no_card(image, card):
    def cut(phase, done, total):
        os.truncate(image, CHUNK_BYTES)

    with pytest.raises(UserError, match="became shorter"):
        write_card(image, card, progress=cut)


def test_what_is_refused_is_not_touched(tmp_path, image):
    small = tmp_path / "small"
    small.write_bytes(b"\xaa" * MIB)
    with pytest.raises(UserError, match="too small"):
        write_card(image, find_device(small))
    assert small.read_bytes() == b"\xaa" * MIB


def test_two_at_once_are_refused(image, card):
    with DirectTarget(card.path), pytest.raises(UserError, match="cannot be opened") as caught:
        write_card(image, card)
    assert "another program" in caught.value.hint


@pytest.mark.parametrize(
    ("number", "hint"),
    [
        (errno.EACCES, 'sudo "$(command -v provision)"'),
        (errno.EBUSY, "something holds it"),
        (errno.EROFS, "slide"),
    ],
)
def test_what_cannot_be_opened_says_what_to_do(image, card, monkeypatch, number, hint):
    def refuse(path, flags):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(UserError, match="cannot be opened for writing") as caught:
        write_card(image, card)
    assert hint in caught.value.hint


def test_a_device_that_went_away(image, card):
    card.path.unlink()
    with pytest.raises(UserError, match="cannot be opened for writing: No such file"):
        write_card(image, card)


def test_bars_show_both_phases(image, card):
    screen = io.StringIO()
    with progress_bars(Console(file=screen, force_terminal=True, width=100)) as report:
        write_card(image, card, progress=report)
    assert "Writing" in screen.getvalue()
    assert "Reading back" in screen.getvalue()
    assert "9.4/9.4 MB" in screen.getvalue()


#: What a card says of itself.
SAID = {"boat": "dunlin", "board": "x86-64", "settings": "5" * 64, "version": "1.0"}


@pytest.fixture
def boot_image(tmp_path):
    """Give a card's image with a boot partition and another, and the content of the former."""

    def make(label, files):
        path = tmp_path / "boat.img"
        with path.open("wb") as file:
            file.truncate(8 * MIB)
        layout = f"label: {label}\nstart=2048, size=8192\nstart=10240\n"
        subprocess.run(["/usr/sbin/sfdisk", "-q", path], input=layout, text=True, check=True)
        where = f"{path}@@{2048 * 512}"
        offset = ["--offset", "2048"]
        subprocess.run(["/usr/sbin/mkfs.vfat", *offset, path, "4096"], check=True)
        for name, content in files.items():
            (tmp_path / name).write_text(content)
            subprocess.run(["mcopy", "-i", where, tmp_path / name, f"::{name}"], check=True)
        return path

    return make


@pytest.mark.parametrize("label", ["gpt", "dos"])
def test_an_image_names_its_boat(boot_image, label):
    assert read_boat_name(boot_image(label, {"boat.json": json.dumps(SAID)})) == "dunlin"


@pytest.mark.parametrize(
    "text",
    [
        "[1]",
        "no JSON",
        "[" * 50_000,
        json.dumps(SAID) + " " * 2**17,
        *(
            json.dumps(SAID | {key: value})
            for key, value in (
                ("boat", "/somebody/elses/boat.yml"),
                ("boat", "../boat"),
                ("boat", "boat.yml"),
                ("boat", ["dunlin"]),
                ("boat", "dunlin\n"),
                ("board", "\x1b[2Jx86-64"),
                ("settings", "\x1b]0;title\x07"),
                ("version", "9" * 1000),
            )
        ),
    ],
)
def test_what_is_no_name_in_an_image_is_not_taken(boot_image, text):
    with pytest.raises(UserError, match="not the image of a boat's card") as caught:
        read_boat_name(boot_image("gpt", {"boat.json": text}))
    assert "\x1b" not in str(caught.value)


@pytest.mark.parametrize("files", [{}])
def test_another_image_is_no_boats(boot_image, files):
    with pytest.raises(UserError, match="not the image of a boat's card"):
        read_boat_name(boot_image("gpt", files))


def test_any_file_is_no_boats(image):
    with pytest.raises(UserError, match="not the image of a boat's card"):
        read_boat_name(image)
