# SPDX-License-Identifier: GPL-3.0-or-later
"""The table of partitions: what firmware, growth and the partition table itself ask of it."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Literal

import pytest

from provision.boards import board, names
from provision.card.image.identity import boot_partition
from provision.card.layout import partitions
from provision.card.layout.bootloader import kernel_command_line
from provision.card.layout.partitions import MIB, PARTITIONS, SECTOR, Layout

Table = Literal["gpt", "mbr"]
TABLES: tuple[Table, ...] = ("gpt", "mbr")


@pytest.fixture(params=TABLES)
def layout(request: pytest.FixtureRequest) -> Layout:
    return Layout(request.param, "5" * 64)


def listed(layout: Layout, image: Path) -> list[dict[str, str | int]]:
    """Return the partitions that sfdisk finds after the layout was written."""
    with image.open("wb") as file:
        file.truncate(layout.size)
    layout.write(str(image))
    done = subprocess.run(["sfdisk", "--json", image], capture_output=True, text=True, check=True)
    found: list[dict[str, str | int]] = json.loads(done.stdout)["partitiontable"]["partitions"]
    return found


def test_each_partition_is_on_the_card_as_the_table_says(layout: Layout, tmp_path: Path) -> None:
    image = tmp_path / "image"
    found = listed(layout, image)
    assert [(one["start"], one["size"], one["node"]) for one in found] == [
        (one.offset // SECTOR, one.size // SECTOR, f"{image}{one.number}")
        for one in layout.partitions
    ]
    assert [one.name for one in layout.partitions] == list(PARTITIONS)


def test_boot_is_where_firmware_and_we_look(layout: Layout, tmp_path: Path) -> None:
    listed(layout, tmp_path / "image")
    assert layout.boot.number == 1
    assert boot_partition(tmp_path / "image") == f"{tmp_path / 'image'}@@{layout.boot.offset}"


def test_data_has_room_to_grow(layout: Layout) -> None:
    assert layout.data == layout.partitions[-1]


def test_partitions_begin_and_end_at_whole_blocks(layout: Layout) -> None:
    assert {one.offset % (4 * MIB) for one in layout.partitions} == {0}


def test_an_mbr_takes_no_fifth_partition(monkeypatch: pytest.MonkeyPatch) -> None:
    """The layout fails, where sfdisk would leave the data partition out."""
    few = dict(list(PARTITIONS.items())[:1])
    more = {f"more-{number}": MIB for number in range(3)}
    monkeypatch.setattr(partitions, "PARTITIONS", few | more)
    assert Layout("mbr", "any").script()
    monkeypatch.setattr(partitions, "PARTITIONS", few | more | {"data": MIB})
    assert Layout("gpt", "any").script()
    with pytest.raises(ValueError, match="4 partitions"):
        Layout("mbr", "any").script()


@pytest.mark.parametrize("name", names())
def test_the_kernel_is_given_the_partitions(name: str) -> None:
    kind = board(name)
    layout = Layout(kind.table, "5" * 64)
    words = kernel_command_line(kind, layout).split()
    assert f"root=PARTUUID={layout.base.partuuid}" in words
    assert f"boat.boot={layout.boot.partuuid}" in words
    assert f"boat.data={layout.data.partuuid}" in words
