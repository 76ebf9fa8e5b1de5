# SPDX-License-Identifier: GPL-3.0-or-later
"""A spare of the running boat's card: real programs divide and fill it, in plain files."""

from __future__ import annotations

import json
import re
import subprocess
import uuid
from dataclasses import dataclass
from pathlib import Path

import pytest

from provision.card.layout.digests import compute_digest
from provision.card.layout.filesystems import fill_fat, make_fat, read_fat
from provision.card.layout.partitions import MIB, Layout
from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.live.system import System
from provision.onboard.settings.spare import copy
from provision.onboard.settings.spare.make import Spare, make_spare
from provision.onboard.settings.spare.target import Devices
from tests.support.settings.boat import Boat

#: The bytes of a base, as its file system tells them, and behind it what nobody needs.
BASE = b"hsqs" + bytes(36) + (70_001).to_bytes(8, "little") + b"base" * 17_500


class Plugged(Devices):
    """Devices of a folder: plain files that stand for cards."""

    def is_one(self, path: Path) -> bool:
        return (self.sys / path.name).exists()


@dataclass
class Aboard:
    """A boat in a folder, her card vda, and a stick sda in the reader."""

    boat: Boat
    layout: Layout
    devices: Plugged

    @property
    def card(self) -> Path:
        return self.devices.dev / "vda"

    @property
    def stick(self) -> Path:
        return self.devices.dev / "sda"

    def make(self, device: str = "sda", *, erase: bool = False) -> dict[str, object]:
        wanted = Spare(self.devices.dev / device, erase)
        return make_spare(self.boat.paths, System(), wanted, self.devices)

    def mount(self, source: str, where: str) -> None:
        with self.devices.mounts.open("a") as mounts:
            mounts.write(f"21 1 254:4 / {where} rw - ext4 /dev/{source} rw\n")

    def plug(self, name: str, size: int, *parts: str) -> None:
        (self.devices.dev / name).open("wb").truncate(size)
        for part in parts:
            (self.devices.dev / part).touch()
        real = self.devices.sys.parent / "devices" / name
        for folder in (real, *(real / part for part in parts)):
            folder.mkdir(parents=True)
            (folder / "size").write_text(f"{size // 512}\n")
            (folder / "ro").write_text("0\n")
            (self.devices.sys / folder.name).symlink_to(folder)
            if folder != real:
                (folder / "partition").write_text("1\n")


@pytest.fixture(params=["gpt", "mbr"])
def aboard(boat: Boat, tmp_path: Path, request: pytest.FixtureRequest) -> Aboard:
    """A boat that was started from her card, with a log, and an empty stick."""
    devices = Plugged(tmp_path / "class", tmp_path / "dev", tmp_path / "mountinfo")
    devices.sys.mkdir()
    devices.dev.mkdir()
    devices.mounts.touch()
    layout = Layout(request.param, "spare")
    there = Aboard(boat, layout, devices)
    there.plug("vda", layout.size, *(f"vda{part.number}" for part in layout.partitions))
    there.plug("sda", 3 * 10**9, "sda1")
    layout.write(str(there.card))
    line = (
        f"quiet root=PARTUUID={layout.base.partuuid} boat.boot={layout.boot.partuuid} "
        f"boat.data={layout.data.partuuid}\n"
    )
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "cmdline.txt").write_text(line)
    fat = tmp_path / "boot.fat"
    make_fat(fat, layout.boot.size, 1, "BOOT", 1767225600)
    fill_fat(str(fat), tree, 1767225600)
    with there.card.open("r+b") as stream:
        stream.seek(layout.boot.offset)
        stream.write(fat.read_bytes())
        stream.seek(layout.base.offset)
        stream.write(BASE + b"nobody's" * 10_000)
    for name, text in (("proc/cmdline", line), ("data/log/boat-1.gz", "a log")):
        file = boat.paths.root / name
        file.parent.mkdir(exist_ok=True)
        file.write_text(text)
    (boat.paths.root / "data/log/boat-1.gz").chmod(0o640)
    there.mount("vda4", str(boat.paths.data))
    return there


def partitions(device: Path) -> dict[str, object]:
    said = subprocess.run(["sfdisk", "--json", device], capture_output=True, check=True).stdout
    found: dict[str, object] = json.loads(said)["partitiontable"]
    return found


def on_data(stick: Path, layout: Layout, request: str) -> str:
    image = f"{stick}?offset={layout.data.offset}"
    done = subprocess.run(["debugfs", "-R", request, image], capture_output=True, check=True)
    return done.stdout.decode()


def test_a_spare_has_all_that_the_boat_has(aboard: Aboard) -> None:
    told = aboard.make()
    layout = aboard.layout
    kept = (aboard.boat.paths.store / "kept").read_text()
    assert told["kept"] == kept.split()[0]
    assert on_data(aboard.stick, layout, "cat /settings/kept") == kept
    assert on_data(aboard.stick, layout, "cat /log/boat-1.gz") == "a log"
    assert "0640" in on_data(aboard.stick, layout, "stat /log/boat-1.gz")
    with aboard.stick.open("rb") as stream:
        stream.seek(layout.base.offset)
        whole = stream.read(100_000)
    assert whole.startswith(BASE[:70_001])
    assert not whole[73_728:].strip(b"\0"), "what is behind the base is not copied"


def test_its_identifiers_are_its_own(aboard: Aboard) -> None:
    aboard.make()
    own, spare = partitions(aboard.card), partitions(aboard.stick)
    assert own["id"] != spare["id"]
    line = read_fat(f"{aboard.stick}@@{aboard.layout.boot.offset}", "cmdline.txt").decode()
    found = re.findall(r"(?:PARTUUID|boat\.[a-z]+)=([0-9a-f-]+)", line)
    assert len(found) == 3
    if aboard.layout.table == "gpt":
        names = [str(one["uuid"]).lower() for one in spare["partitions"]]  # type: ignore[attr-defined]
        assert len({*names}) == 4
        for part in aboard.layout.partitions:
            assert part.partuuid not in names
    else:
        disk = str(spare["id"]).removeprefix("0x")
        names = [f"{disk}-{number:02x}" for number in (1, 2, 3, 4)]
    assert found == [names[1], names[0], names[3]]


def test_data_takes_the_rest_of_the_device(aboard: Aboard) -> None:
    told = aboard.make()
    offset = aboard.layout.data.offset
    assert 3 * 10**9 - 2 * MIB < offset + int(str(told["data"])) <= 3 * 10**9 - MIB
    last = partitions(aboard.stick)["partitions"][-1]  # type: ignore[index]
    assert last["size"] * 512 == told["data"]


def test_the_own_card_is_only_read(aboard: Aboard) -> None:
    before = compute_digest(aboard.card)
    aboard.make()
    assert compute_digest(aboard.card) == before


def refusal(aboard: Aboard, device: str = "sda") -> SettingsError:
    with pytest.raises(SettingsError) as caught:
        aboard.make(device)
    return caught.value


def test_what_is_not_empty_is_asked_about(aboard: Aboard) -> None:
    subprocess.run(["mke2fs", "-q", "-F", "-L", "PHOTOS", aboard.stick, "1000"], check=True)
    error = refusal(aboard)
    assert "ext2 PHOTOS" in error.message and "--erase" in error.hint
    assert subprocess.run(["e2fsck", "-n", aboard.stick], check=False).returncode == 0
    aboard.make(erase=True)


def test_what_must_not_be_written(aboard: Aboard) -> None:
    assert "the card that the boat runs from" in refusal(aboard, "vda").message
    assert "/dev/vda" in refusal(aboard, "vda2").hint
    assert "is not there" in refusal(aboard, "sdz").message
    (aboard.devices.dev / "ttyS0").touch()
    assert "is no card or stick" in refusal(aboard, "ttyS0").message
    (aboard.devices.sys / "sda" / "ro").write_text("1\n")
    assert "write-protected" in refusal(aboard).message
    aboard.mount("sda1", "/media")
    error = refusal(aboard)
    assert "sda1 is mounted at /media" in error.message and error.hint == "umount /media"


def test_a_device_that_is_too_small(aboard: Aboard) -> None:
    (aboard.devices.sys / "sda" / "size").write_text(f"{10**9 // 512}\n")
    error = refusal(aboard)
    assert "too small" in error.message
    assert aboard.stick.stat().st_blocks == 0, "something was written"


def test_settings_that_are_damaged_or_on_trial(aboard: Aboard) -> None:
    store = aboard.boat.paths.store
    archive = store / (store / "kept").read_text().split()[1]
    archive.write_bytes(archive.read_bytes() + b"damage")
    assert "damaged" in refusal(aboard).message


def test_a_stick_that_keeps_nothing(aboard: Aboard, monkeypatch: pytest.MonkeyPatch) -> None:
    """It has no partition table afterwards: no computer starts from it."""
    real = copy.write

    def forgets(target: Path, offset: int, content: object) -> tuple[int, str]:
        told = real(target, offset, content)  # type: ignore[arg-type]
        if offset == aboard.layout.base.offset:
            with target.open("r+b") as stream:
                stream.seek(offset + 5000)
                stream.write(bytes(8))
        return told

    monkeypatch.setattr(copy, "write", forgets)
    assert "did not hold what was written" in refusal(aboard).message
    assert subprocess.run(["sfdisk", "--json", aboard.stick], check=False).returncode != 0


def test_an_identifier_between_two_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    old, new = str(uuid.uuid4()).encode(), str(uuid.uuid4()).encode()
    content = b"." * 90 + old + b"-" * 100 + old[:-1] + b"." + old
    file = tmp_path / "partition"
    file.write_bytes(b"before" + content + b"behind")
    for piece in range(1, 130, 7):
        monkeypatch.setattr(copy, "PIECE_BYTES", piece)
        found = b"".join(copy.pieces(file, 6, len(content), {old: new}))
        assert found == b"." * 90 + new + b"-" * 100 + old[:-1] + b"." + new
