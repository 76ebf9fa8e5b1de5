# SPDX-License-Identifier: GPL-3.0-or-later
"""Damaged files of the voyage log: what is read is as it was written, and the rest is found."""

from __future__ import annotations

import asyncio
import gzip
import zlib
from pathlib import Path

import pytest

from provision.onboard.feed.config.parse import parse
from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.voyage_log.log import VoyageLog
from provision.onboard.feed.voyage_log.reader import read
from tests.support.feed.rig import STATIC, feed_sentence, numbered, until

MEMBERS = 5
LINES = 40


def line(number: int) -> bytes:
    stamps = ("c", str(1795616691250 + 40 * number)), ("r", str(83120 + 40 * number))
    return tag_block.build(*stamps, ("s", "gnss")) + numbered(number)


def text_of(number: int) -> bytes:
    return b"".join(map(line, range(number * LINES, (number + 1) * LINES)))


def as_now(folder: Path) -> bytes:
    """Return a file as the log writes it."""

    async def play() -> None:
        settings = {"links": {}, "outputs": {}, "log": {"folder": str(folder / "log")}}
        config = parse(settings).log
        assert config is not None
        log = VoyageLog(config, FaultLog())
        for number in range(MEMBERS):
            for one in range(number * LINES, (number + 1) * LINES):
                log.put(feed_sentence(numbered(one), one * 0.04))
            log.write()
            await until(lambda n=number: log.writes == n + 1)
            await asyncio.sleep(0.02)
        log.close()

    asyncio.run(play())
    (file,) = (folder / "log").iterdir()
    return file.read_bytes()


def as_earlier(folder: Path) -> bytes:
    """Return a file as earlier versions wrote it."""
    members = []
    for number in range(MEMBERS):
        compressor = zlib.compressobj(6, zlib.DEFLATED, 31)
        members.append(compressor.compress(text_of(number)) + compressor.flush())
    return b"".join(members)


@pytest.fixture(params=[as_now, as_earlier])
def data(request: pytest.FixtureRequest, tmp_path: Path) -> bytes:
    made: bytes = request.param(tmp_path)
    return made


def numbers(data: bytes, folder: Path) -> list[int]:
    """Which entries are read; a changed one fails here."""
    file = folder / "damaged.gz"
    file.write_bytes(data)
    known = {numbered(n): n for n in range(MEMBERS * LINES)}
    entries = list(read(str(file)))
    assert all(entry.origin == "gnss" for entry in entries)
    return [known[entry.raw] for entry in entries]


def ends(data: bytes) -> list[int]:
    """Return where each member ends."""
    found, rest = [], data
    while rest:
        unpacker = zlib.decompressobj(31)
        unpacker.decompress(rest)
        rest = unpacker.unused_data
        found.append(len(data) - len(rest))
    return found


def test_a_flipped_bit_costs_its_own_member_alone(data: bytes, tmp_path: Path) -> None:
    behind = ends(data)
    assert len(behind) == MEMBERS
    # An odd step, so that each bit of an octet has its turn.
    heads = {begin + at for begin in [0, *behind[:-1]] for at in range(20)}
    for at in sorted(heads | {*range(0, len(data), 11)}):
        damaged = bytearray(data)
        damaged[at] ^= 1 << at % 8
        hit = next(number for number, end in enumerate(behind) if at < end)
        read_back = numbers(bytes(damaged), tmp_path)
        others = [n for n in range(MEMBERS * LINES) if n // LINES != hit]
        assert [n for n in read_back if n // LINES != hit] == others, f"octet {at}"
        # A flip that the form allows for (such as in the header's time) costs nothing.
        own = [n for n in read_back if n // LINES == hit]
        assert own == list(range(hit * LINES, hit * LINES + len(own))), f"octet {at}"


def test_several_octets_of_rubbish_cost_no_more(data: bytes, tmp_path: Path) -> None:
    behind = ends(data)
    damaged = bytearray(data)
    # The end of the second member and the header of the third.
    damaged[behind[1] - 10 : behind[1] + 10] = b"\xa5" * 20
    assert numbers(bytes(damaged), tmp_path) == [
        n for n in range(MEMBERS * LINES) if n // LINES not in (1, 2)
    ]


def test_a_tail_of_zeros_changes_nothing(data: bytes, tmp_path: Path) -> None:
    behind = ends(data)
    for at in range(behind[2], len(data), 11):
        for zeros in (len(data) - at, 4096):
            read_back = numbers(data[:at] + bytes(zeros), tmp_path)
            assert read_back == list(range(len(read_back))), f"octet {at}"
            assert len(read_back) >= LINES * sum(end <= at for end in behind)


def test_zeros_in_the_middle_cost_the_members_that_they_hit(data: bytes, tmp_path: Path) -> None:
    behind = ends(data)
    begin = behind[0] + 30
    damaged = data[:begin] + bytes(behind[2] - 30 - begin) + data[behind[2] - 30 :]
    assert numbers(damaged, tmp_path) == [
        n for n in range(MEMBERS * LINES) if n // LINES not in (1, 2)
    ]


def test_general_tools_read_it(tmp_path: Path) -> None:
    assert gzip.decompress(as_now(tmp_path)).count(b"$SDDPT") == MEMBERS * LINES


def test_a_message_whose_parts_are_torn_apart_is_left_out(tmp_path: Path) -> None:
    tag = tag_block.build(("c", "1795616691250"), ("r", "83120"), ("s", "gnss"))
    text = b"".join(map(line, range(20))) + tag + b"".join(STATIC)
    compressor = zlib.compressobj(0, zlib.DEFLATED, 31)
    whole = compressor.compress(text) + compressor.flush()
    # Stored, not compressed: what is cut off in the member is cut off in the text.
    torn = whole[: whole.index(STATIC[1]) + 5]
    assert numbers(torn, tmp_path) == list(range(20))
