# SPDX-License-Identifier: GPL-3.0-or-later
"""A file that was made to be large when it is read is taken for a damaged one."""

from __future__ import annotations

import gzip
import tracemalloc
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from provision.bench.replay.replay import read_recording
from provision.errors import UserError
from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.voyage_log import reader
from provision.onboard.feed.voyage_log.reader import Logged, compressor, member, read

LINE = tag_block.build(("c", "1795616691250"), ("r", "83120"), ("s", "gnss")) + b"$GPRMC,1*00\r\n"


def _now(text: bytes) -> bytes:
    packer = compressor(6)
    return member(packer.compress(text) + packer.flush(), zlib.crc32(text), len(text))


def _earlier(text: bytes) -> bytes:
    packer = zlib.compressobj(6, zlib.DEFLATED, 31)
    return packer.compress(text) + packer.flush()


@pytest.fixture
def _small(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(reader, "MAX_TEXT_BYTES", 2**20)
    tracemalloc.start()
    yield
    tracemalloc.stop()


@pytest.mark.usefixtures("_small")
@pytest.mark.parametrize("pack", [_now, _earlier, gzip.compress])
def test_a_member_that_grows_beyond_measure_is_left_out(tmp_path: Path, pack: object) -> None:
    assert callable(pack)
    file = tmp_path / "log.gz"
    bomb = pack(LINE + bytes(2**26))
    file.write_bytes(_now(LINE) + bomb + _now(LINE))
    damage: list[int] = []
    tracemalloc.reset_peak()
    entries = list(read(str(file), damage.append))
    assert [entry.origin for entry in entries] == ["gnss", "gnss"]
    assert sum(damage) == len(bomb)
    assert tracemalloc.get_traced_memory()[1] < 2**24


def test_a_member_of_the_largest_size_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reader, "MAX_TEXT_BYTES", 100 * len(LINE))
    file = tmp_path / "log.gz"
    file.write_bytes(_now(100 * LINE))
    assert len(list(read(str(file)))) == 100


def test_a_message_without_end_is_none(tmp_path: Path) -> None:
    file = tmp_path / "log.gz"
    file.write_bytes(_now(LINE + b"x\n" * 200_000 + LINE))
    assert [entry.raw for entry in read(str(file))] == [b"$GPRMC,1*00\r\n"]


@pytest.mark.parametrize(("code", "digits"), [("c", 5000), ("c", 15), ("r", 5000), ("r", 14)])
def test_a_time_beyond_the_calendar_is_none(tmp_path: Path, code: str, digits: int) -> None:
    times = {"c": "1795616691250", "r": "83120"} | {code: "9" * digits}
    block = ",".join([*(f"{name}:{said}" for name, said in times.items()), "s:gnss"]).encode()
    checksum = 0
    for octet in block:
        checksum ^= octet
    line = b"\\%s*%02X\\$GPRMC,1*00\r\n" % (block, checksum)
    file = tmp_path / "log.gz"
    file.write_bytes(_now(line))
    assert list(read(str(file))) == []


def test_times_that_are_read_are_moments(tmp_path: Path) -> None:
    """The latest and the earliest that a log can name, together."""
    file = tmp_path / "log.gz"
    lines = [
        tag_block.build(("c", wall), ("r", monotonic), ("s", "gnss")) + b"$GPRMC,1*00\r\n"
        for wall, monotonic in (("0", "9" * 13), ("9" * 14, "0"), ("0", "9" * 13))
    ]
    file.write_bytes(_now(b"".join(lines)))
    recording = read_recording(file)
    assert recording.moment(0.0)
    assert recording.moment(recording.end)
    assert isinstance(next(read(str(file))), Logged)


def test_a_file_that_no_day_fills_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reader, "MAX_FILE_BYTES", 1000)
    file = tmp_path / "log.gz"
    file.write_bytes(bytes(1001))
    with pytest.raises(UserError, match="File too large"):
        read_recording(file)
