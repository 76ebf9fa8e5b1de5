# SPDX-License-Identifier: GPL-3.0-or-later
"""The history's files: few bytes, torn and hostile ones harm nothing, and none is rewritten."""

from __future__ import annotations

import gzip
import json
import os
import random
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.watch.memory import files
from provision.onboard.watch.memory.block import Block, read_block, write_block
from provision.onboard.watch.memory.files import Files, list_files, pack, read_files, unpack
from provision.onboard.watch.memory.hour import Hour
from tests.support.watch.past import history, sample


def lines(count: int = 3) -> list[bytes]:
    """The lines of so many hours."""
    made = history(count * 60)
    return [write_block(made.present, hour, 0, 60) for hour in made.hours]


def hours(data: bytes) -> list[int]:
    return [block.hour for block in unpack(data)]


def test_what_is_read_is_what_was_written() -> None:
    made = history()
    for minute in range(10, 50):
        made.add(minute * 60 + 5, sample({"gnss": "hgsa"[minute % 4]}, celsius=minute, low=None))
    (hour,) = made.hours
    block = read_block(write_block(made.present, hour, 10, 50))
    assert block is not None
    again = Hour("now", 0)
    block.put_into(again, ["gnss"])
    assert again.minutes() == hour.minutes() == list(range(10, 50))
    assert again.figures == {name: hour.figures[name] for name in again.figures}
    assert "low" not in again.figures
    assert again.links["gnss"] == hour.links["gnss"]
    assert (block.boot.name, block.boot.sure, block.boot.lost_power) == ("now", True, False)


def test_links_that_the_profile_has_no_more_are_left_out() -> None:
    block = read_block(lines(1)[0])
    assert block is not None
    hour = Hour("now", 0)
    block.put_into(hour, ["gnss", "new"])
    assert hour.links.keys() == {"gnss"}


def test_a_minute_takes_a_few_bytes() -> None:
    dice = random.Random(4)
    made = history()
    names = [f"instrument-{number}" for number in range(12)]
    for minute in range(60):
        links = {name: "s" if dice.random() < 0.002 else "h" for name in names}
        figures = {"celsius": 45 + dice.randint(-1, 1), "memory": 600 + dice.randint(-3, 3)}
        made.add(minute * 60, sample(links, written=dice.choice([0, 0, 0, 84]), **figures))
    assert len(pack(write_block(made.present, made.hours[0], 0, 60))) < 10 * 60


def test_general_tools_read_the_files() -> None:
    data = b"".join(map(pack, lines(2)))
    told = [json.loads(line) for line in gzip.decompress(data).splitlines()]
    assert [one["hour"] for one in told] == [0, 1]


def test_a_torn_end_is_left_out_alone() -> None:
    whole = b"".join(map(pack, lines(3)))
    last = len(whole) - len(pack(lines(3)[2]))
    for cut in range(last, len(whole)):
        assert hours(whole[:cut]) == [0, 1], cut
        unwritten = whole[:cut] + bytes(len(whole) - cut)
        assert hours(unwritten) == ([0, 1, 2] if unwritten == whole else [0, 1]), cut
    assert hours(whole) == [0, 1, 2]


def test_damage_in_the_middle_costs_one_block() -> None:
    first, second, third = map(pack, lines(3))
    whole = list(unpack(first + second + third))
    outer = [whole[0], whole[2]]
    for at in range(len(second)):
        spoilt = bytearray(second)
        spoilt[at] ^= 0x55
        found = list(unpack(first + bytes(spoilt) + third))
        # A block is read as it was written, or not at all: no sum guards the time in its header.
        assert [block for block in found if block.hour != 1] == outer, at
        assert found in (outer, whole), at


@given(st.binary(max_size=2000))
def test_any_bytes_are_read_without_harm(data: bytes) -> None:
    list(unpack(data))
    list(unpack(pack(data)))
    assert read_block(data) is None or isinstance(read_block(data), Block)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=10,
)


@given(st.sampled_from(["boot", "hour", "from", "there", "offset", "links", "celsius"]), _JSON)
def test_any_value_of_any_key_is_read_without_harm(key: str, value: object) -> None:
    told = json.loads(lines(1)[0])
    block = read_block(json.dumps({**told, key: value}).encode())
    if block is not None:
        block.put_into(Hour("now", 0), ["gnss"])


@pytest.mark.parametrize(
    "change",
    [
        {"from": 59},
        {"from": -1},
        {"there": "1" * 61},
        {"there": ""},
        {"there": " " * 60},
        {"there": "x" * 60},
        {"celsius": [1] * 59},
        {"celsius": [2**50] * 60},
        {"celsius": ["hot"] * 60},
        {"links": {"gnss": "h" * 59}},
        {"links": {"gnss": "?" * 60}},
        {"links": {"x" * 65: "h" * 60}},
        {"links": {f"l{number}": "h" * 60 for number in range(201)}},
        {"offset": 1e300},
        {"offset": True},
        {"hour": -(10**9)},
        {"boot": 3},
        {"boot": ""},
    ],
)
def test_a_block_that_was_never_written_is_refused(change: dict[str, object]) -> None:
    told = json.loads(lines(1)[0])
    assert read_block(json.dumps(told).encode()) is not None
    assert read_block(json.dumps({**told, **change}).encode()) is None


def test_a_bomb_is_not_unpacked() -> None:
    bomb = zlib.compressobj(9, zlib.DEFLATED, 31)
    data = bomb.compress(bytes(2**26)) + bomb.flush()
    assert len(data) < 2**17
    assert hours(data + pack(lines(1)[0])) == [0]
    assert hours(pack(b" " * 2**24) + pack(lines(1)[0])) == [0]


# --- the folder -------------------------------------------------------------------------


def test_each_run_begins_a_file_and_appends_to_it(tmp_path: Path) -> None:
    first, second, third = map(pack, lines(3))
    run = Files(str(tmp_path), 2**20)
    run.append(first)
    before = (tmp_path / "history-000001.gz").read_bytes()
    run.append(second)
    assert (tmp_path / "history-000001.gz").read_bytes() == before + second
    Files(str(tmp_path), 2**20).append(third)
    assert list_files(str(tmp_path)) == ["history-000001.gz", "history-000002.gz"]
    assert [block.hour for block in read_files(str(tmp_path), 2**20)] == [0, 1, 2]


def test_what_was_appended_is_on_the_card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file each time, and the folder once it has a new name in it."""
    synced: list[str] = []

    def fsync(number: int) -> None:
        synced.append(os.path.basename(os.readlink(f"/proc/self/fd/{number}")))

    monkeypatch.setattr(files.os, "fsync", fsync)
    run = Files(str(tmp_path), 2**20)
    for line in lines(2):
        run.append(pack(line))
    name = "history-000001.gz"
    assert synced == [name, tmp_path.name, name]


def test_a_full_file_is_followed_by_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "FULL_BYTES", 500)
    run = Files(str(tmp_path), 2**20)
    for line in lines(3):
        run.append(pack(line))
    assert len(list_files(str(tmp_path))) == 3


def test_the_oldest_files_go_beyond_the_cap(tmp_path: Path) -> None:
    made = [pack(line) for line in lines(10)]
    cap = sum(map(len, made[:4]))
    for one in made:
        Files(str(tmp_path), cap).append(one)
        total = sum(os.stat(tmp_path / name).st_size for name in list_files(str(tmp_path)))
        assert total <= cap
    assert list_files(str(tmp_path))[-1] == "history-000010.gz"
    assert [block.hour for block in read_files(str(tmp_path), cap)][-3:] == [7, 8, 9]


def test_few_files_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MAX_FILES", 5)
    for _ in range(9):
        Files(str(tmp_path), 2**20).append(pack(lines(1)[0]))
    assert len(list_files(str(tmp_path))) == 5


def test_strangers_in_the_folder_are_left_alone(tmp_path: Path) -> None:
    for name in ("history-1.gz", "notes.txt", "history-000001.gz.tmp"):
        (tmp_path / name).write_text("mine")
    (tmp_path / "history-000007.gz").mkdir()
    run = Files(str(tmp_path), 2**20)
    run.append(pack(lines(1)[0]))
    assert [block.hour for block in read_files(str(tmp_path), 2**20)] == [0]
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_a_folder_that_is_not_there_has_no_history(tmp_path: Path) -> None:
    assert list(read_files(str(tmp_path / "gone"), 2**20)) == []
    with pytest.raises(OSError, match="gone"):
        Files(str(tmp_path / "gone"), 2**20).append(b"x")


def test_a_card_without_room_is_not_filled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MIN_FREE_BYTES", 2**62)
    with pytest.raises(OSError, match="no room"):
        Files(str(tmp_path), 2**20).append(pack(lines(1)[0]))
    assert all((tmp_path / name).stat().st_size == 0 for name in list_files(str(tmp_path)))
