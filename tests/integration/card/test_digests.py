# SPDX-License-Identifier: GPL-3.0-or-later
"""Digests that an image carries of its parts: what is damaged is found and named."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from provision.card.base.base import Base
from provision.card.device.block_devices import find_device
from provision.card.device.plan import make_plan
from provision.card.device.write import write_card
from provision.card.image.assemble import assemble
from provision.card.image.identity import check_parts, read_identity
from provision.card.layout import digests, partitions
from provision.card.layout.digests import compute_digest
from provision.card.layout.extents import Extent
from provision.card.layout.partitions import MIB, Layout
from provision.commands import run
from provision.errors import UserError
from provision.render import Settings
from tests.support.small_base import BOARD


@pytest.fixture
def settings() -> Settings:
    manifest: dict[str, Any] = {"boat": "dunlin"}
    return Settings({}, manifest, b"archive", "5" * 64)


@pytest.fixture
def image(tmp_path: Path, small: Base, settings: Settings) -> Path:
    out = tmp_path / "dunlin.img"
    assemble(BOARD, settings, small, out)
    return out


def flip(file: Path, offset: int) -> None:
    with file.open("r+b") as stream:
        stream.seek(offset)
        byte = stream.read(1)
        stream.seek(offset)
        stream.write(bytes([byte[0] ^ 1]))


def test_the_same_inputs_give_the_same_bytes(
    tmp_path: Path, image: Path, small: Base, settings: Settings
) -> None:
    check_parts(image)
    assemble(BOARD, settings, small, tmp_path / "again.img")
    assert subprocess.run(["cmp", image, tmp_path / "again.img"], check=False).returncode == 0


def test_every_damaged_part_is_found_and_named(image: Path) -> None:
    layout = Layout(BOARD.table, "5" * 64)
    for part, (offset, size) in digests.list_parts(layout).items():
        for at in (offset, offset + size // 2 + 1, offset + size - 1):
            flip(image, at)
            with pytest.raises(UserError, match=f"damaged: {part}\n"):
                digests.check_record(image, expected=True)
            flip(image, at)
    flip(image, digests.RECORD_OFFSET + 200)
    with pytest.raises(UserError, match="damaged: record of digests"):
        digests.check_record(image, expected=True)
    flip(image, digests.RECORD_OFFSET + 200)
    assert digests.check_record(image, expected=True)


def test_every_byte_is_covered() -> None:
    ways = sorted(
        [
            *digests.list_parts(Layout("gpt", "x")).values(),
            (digests.RECORD_OFFSET, digests.RECORD_SIZE),
        ]
    )
    ends = [offset + size for offset, size in ways]
    assert [offset for offset, _ in ways] == [0, *ends[:-1]]
    assert ends[-1] == Layout("gpt", "x").size


def test_an_image_that_was_cut_short_or_has_more(image: Path) -> None:
    size = image.stat().st_size
    with image.open("r+b") as stream:
        stream.truncate(size - MIB // 2)
    with pytest.raises(UserError, match="damaged: end of the image"):
        digests.check_record(image, expected=True)
    with image.open("r+b") as stream:
        stream.truncate(size + 1)
    with pytest.raises(UserError, match="longer than its parts"):
        digests.check_record(image, expected=True)


def erase(image: Path) -> None:
    with image.open("r+b") as stream:
        stream.seek(digests.RECORD_OFFSET)
        stream.write(bytes(digests.RECORD_SIZE))


def test_a_record_that_was_erased_is_missed(image: Path) -> None:
    assert read_identity(image)["digests"] is True
    erase(image)
    with pytest.raises(UserError, match="record of digests"):
        check_parts(image)


def test_an_image_of_an_earlier_version_says_so(
    image: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    erase(image)
    said = read_identity(image)
    del said["digests"]
    (tmp_path / "boat.json").write_text(json.dumps(said))
    boot = f"{image}@@{Layout(BOARD.table, '5' * 64).boot.offset}"
    subprocess.run(["mcopy", "-o", "-i", boot, tmp_path / "boat.json", "::boat.json"], check=True)
    check_parts(image)
    assert "made by an earlier version, has no digests" in " ".join(capsys.readouterr().err.split())


def test_holes_and_zeros_are_the_same(tmp_path: Path) -> None:
    sparse, full = tmp_path / "sparse", tmp_path / "full"
    with sparse.open("wb") as stream:
        stream.seek(5 * MIB + 7)
        stream.write(b"x")
        stream.truncate(9 * MIB)
    shutil.copyfile(sparse, full)
    full.write_bytes(sparse.read_bytes())
    assert compute_digest(sparse) == compute_digest(full)
    flip(full, 3 * MIB)
    assert compute_digest(sparse) != compute_digest(full)


@pytest.mark.parametrize("name", ["base.squashfs", "boot.fat"])
def test_a_damaged_base_goes_into_no_card(
    tmp_path: Path, small: Base, settings: Settings, name: str
) -> None:
    flip(small.folder / name, 70_000)
    out = tmp_path / "out" / "dunlin.img"
    out.parent.mkdir()
    with pytest.raises(UserError, match="the cached base is damaged") as caught:
        assemble(BOARD, settings, small, out)
    assert caught.value.location and caught.value.location.file == small.folder / name
    assert str(small.folder) in caught.value.hint
    assert not [*out.parent.iterdir()]


def test_a_base_for_a_larger_partition_goes_into_no_card(
    tmp_path: Path, small: Base, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next partition would be written over."""
    sizes = partitions.PARTITIONS | {partitions.BOOT: 128 * MIB}
    monkeypatch.setattr(partitions, "PARTITIONS", sizes)
    with pytest.raises(UserError, match="does not fit: it has 268435456 bytes") as caught:
        assemble(BOARD, settings, small, tmp_path / "dunlin.img")
    assert caught.value.location and caught.value.location.file == small.fat
    assert not (tmp_path / "dunlin.img").exists()


def test_a_card_replaces_a_card_that_no_bench_uses(
    image: Path, small: Base, settings: Settings
) -> None:
    from provision.cli.bench import _in_use  # noqa: PLC0415

    with _in_use(image), pytest.raises(UserError, match="a bench uses this image"):
        assemble(BOARD, settings, small, image)
    assemble(BOARD, settings, small, image)


def rewrite_record(image: Path, change: Callable[[dict[str, Any]], None]) -> None:
    """Change what the record says, and give it the digest that fits."""
    with image.open("r+b") as stream:
        stream.seek(digests.RECORD_OFFSET)
        line = stream.read(digests.RECORD_SIZE).removeprefix(digests.MAGIC).split(b"\n")[0]
        parts = json.loads(line.split(b" ", 1)[1])
        change(parts)
        text = json.dumps(parts).encode()
        own = hashlib.sha256(text).hexdigest().encode()
        stream.seek(digests.RECORD_OFFSET)
        stream.write((digests.MAGIC + own + b" " + text + b"\n").ljust(digests.RECORD_SIZE, b"\0"))


@pytest.mark.parametrize(
    "used",
    [
        *([[4096, 512]], [[4097, 4096]], [[8192, 4096], [4096, 4096]], [[0, 8192], [4096, 4096]]),
        *([[0, 0]], [[0, -4096]], [[0, 4 * MIB]], [[-4096, 4096]], [[0]], [0], 7, [["a", 4096]]),
    ],
)
def test_extents_that_cannot_be_are_refused(image: Path, used: object) -> None:
    """Out of order, out of the part, no whole blocks, no numbers."""
    rewrite_record(image, lambda parts: parts["partition table"].update(used=used))
    with pytest.raises(UserError, match="damaged: record of digests"):
        make_plan(image)


def list_used(image: Path) -> dict[str, int]:
    """Return how many bytes of each part are written."""
    record = digests.read_record(image, expected=True)
    assert record is not None
    return {name: sum(one.size for one in part.used) for name, part in record.parts.items()}


def test_only_what_the_image_holds_is_planned(image: Path, small: Base) -> None:
    used = list_used(image)
    squashfs = small.squashfs.stat().st_size
    assert used.pop("partition base-a") == -(-squashfs // 4096) * 4096
    assert used.pop("partition base-b") == MIB
    assert used.pop("partition table") == digests.RECORD_OFFSET
    assert used.pop("end of the image") == MIB
    assert sum(used.values()) < 24 * MIB
    # The record itself is written, too.
    assert make_plan(image).total >= sum(list_used(image).values()) + digests.RECORD_SIZE


def test_a_copy_with_other_holes_has_the_same_plan(image: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.img"
    subprocess.run(["cp", "--sparse=never", image, copy], check=True)
    assert copy.stat().st_blocks > image.stat().st_blocks
    assert make_plan(copy) == make_plan(image)


def test_an_image_without_extents_is_written_whole(image: Path) -> None:
    """As an earlier version made it: its record has digests only."""
    rewrite_record(image, lambda parts: [part.pop("used") for part in parts.values()])
    assert digests.check_record(image, expected=True)
    assert make_plan(image).extents == (Extent(0, image.stat().st_size),)
    erase(image)
    assert make_plan(image).extents == (Extent(0, image.stat().st_size),)


def test_a_used_card_holds_all_that_the_boat_reads(image: Path, tmp_path: Path) -> None:
    """Every byte of the card was something else before."""
    size = image.stat().st_size
    card = tmp_path / "card"
    with card.open("wb") as file:
        for _ in range(0, size, MIB):
            file.write(b"\xaa" * MIB)
    written = write_card(image, find_device(card))
    assert written.written < size / 20
    layout = Layout(BOARD.table, "5" * 64)
    plan, position = make_plan(image), 0
    with image.open("rb") as wanted, card.open("rb") as found:
        for one in (*plan.extents, Extent(size, 0)):
            wanted.seek(one.offset)
            found.seek(position)
            assert not found.read(one.offset - position).strip(b"\xaa")
            assert found.read(one.size) == wanted.read(one.size)
            position = one.end
    assert "No errors detected" in run("sfdisk", "--verify", card).stdout
    for part, check in ((layout.boot, "fsck.fat -n"), (layout.data, "e2fsck -f -n")):
        copy = tmp_path / part.name
        with card.open("rb") as file, copy.open("wb") as out:
            file.seek(part.offset)
            out.write(file.read(part.size))
        run(*check.split(), copy)
    assert read_identity(card)["boat"] == "dunlin"
    assert "5" * 64 in run("debugfs", "-R", "cat settings/kept", tmp_path / "data").stdout
