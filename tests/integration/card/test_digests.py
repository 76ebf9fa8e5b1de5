# SPDX-License-Identifier: GPL-3.0-or-later
"""Digests that an image carries of its parts: what is damaged is found and named."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from provision.card.base.base import Base
from provision.card.image.assemble import assemble
from provision.card.image.identity import check_parts, read_identity
from provision.card.layout import digests, partitions
from provision.card.layout.digests import compute_digest
from provision.card.layout.partitions import MIB, Layout
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
