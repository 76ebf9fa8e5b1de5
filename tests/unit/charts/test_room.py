# SPDX-License-Identifier: GPL-3.0-or-later
"""The card's room: the cap, the log's share, and what a replaced file needs."""

from __future__ import annotations

import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.charts.config import ChartsConfig
from provision.onboard.charts.keep import copy, plan
from provision.onboard.charts.keep.plan import make_plan
from provision.onboard.charts.keep.room import BLOCK_BYTES, Room, blocks_of, measure
from provision.onboard.charts.stick.listing import Found
from tests.support.charts.rig import Rig, rig

__all__ = ["rig"]

MIB = 2**20


def test_what_does_not_fit_below_the_cap_is_not_begun(rig: Rig) -> None:
    rig.add("one.kap", b"x" * MIB)
    rig.add("two.kap", b"x" * MIB)
    state = rig.copy(cap=2 * MIB)
    assert (state.phase, state.reason, rig.aboard()) == ("refused", "no-room", {})
    assert 0 < state.needed <= 3 * BLOCK_BYTES
    assert rig.copy(cap=2 * MIB + 4 * BLOCK_BYTES).phase == "done"


def test_a_file_of_a_terabyte_of_nothing_is_not_begun(rig: Rig) -> None:
    with rig.add("sparse.mbtiles").open("wb") as file:
        file.truncate(2**40)
    state = rig.copy()
    assert (state.phase, state.reason, rig.aboard()) == ("refused", "no-room", {})
    assert state.needed >= 2**40 - 2**30


def test_a_replaced_file_needs_room_beside_the_former_one(rig: Rig) -> None:
    rig.add("one.kap", b"a" * MIB)
    assert rig.copy(cap=2 * MIB).phase == "done"
    rig.add("one.kap", b"b" * MIB, changed=1_700_000_000)
    state = rig.copy(cap=2 * MIB)
    assert (state.reason, rig.aboard()) == ("no-room", {"one.kap": b"a" * MIB})
    assert rig.copy(cap=2 * MIB + 4 * BLOCK_BYTES).files == 1
    assert rig.aboard() == {"one.kap": b"b" * MIB}


def test_the_log_keeps_its_share_of_the_partition(rig: Rig) -> None:
    about = os.statvfs(rig.kept)
    whole = (about.f_blocks - about.f_bfree + about.f_bavail) * about.f_frsize
    made = ChartsConfig(str(rig.kept), 2**60, whole - 5 * MIB, ())
    assert abs(measure(made).cap - 5 * MIB) <= 64 * MIB
    assert measure(ChartsConfig(str(rig.kept), 2**60, whole * 2, ())).cap == 0
    assert measure(ChartsConfig(str(rig.kept), 7, 0, ())).cap == 7


def test_a_full_partition_ends_the_copy(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig.add("one.kap", b"x" * MIB)
    monkeypatch.setattr(copy, "free_bytes", lambda _: MIB - 1)
    assert rig.copy().reason == "no-room" and rig.aboard() == {}


def test_many_sticks_bring_no_more_files_than_one(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(plan, "MAX_FILES", 3)
    rig.add("one.kap")
    rig.add("two.kap")
    assert rig.copy().phase == "done"
    for name in ("one.kap", "two.kap"):
        (rig.stick / "charts" / name).rename(rig.stick / "charts" / f"other-{name}")
    assert rig.copy().reason == "too-many-files"
    assert set(rig.aboard()) == {"one.kap", "two.kap"}


def test_a_folder_in_place_of_a_file_is_left_out(rig: Rig) -> None:
    rig.add("coast/one.kap")
    rig.add("two")
    assert rig.copy().phase == "done"
    (rig.stick / "charts/two").unlink()
    rig.add("two/three.kap")
    (rig.stick / "charts/coast/one.kap").unlink()
    (rig.stick / "charts/coast").rmdir()
    rig.add("coast")
    state = rig.copy()
    assert (state.phase, state.files, state.left_out) == ("done", 0, 2)
    assert set(rig.aboard()) == {"coast/one.kap", "two"}


@given(st.lists(st.integers(0, 2**40), max_size=20), st.integers(0, 2**42))
def test_a_plan_that_fits_is_never_above_the_cap(sizes: list[int], cap: int) -> None:
    files = [Found(f"{number}.kap", size, 0) for number, size in enumerate(sizes)]
    made = make_plan(files, "/nonexistent", Room(0, cap, 0), lambda *_: None)
    total = sum(blocks_of(size) for size in sizes)
    assert made.needed == max(0, total - cap)
    assert made.bytes == sum(sizes)
