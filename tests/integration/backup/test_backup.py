# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat's own files come to this computer whole, or not under their names."""

from __future__ import annotations

import json
import os
import random
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from provision.backup import aboard as aboard_module
from provision.backup import club
from provision.backup.aboard import Aboard, Broken, FileAboard
from provision.backup.club import back_up
from provision.backup.copy import Copied, copy_boat
from provision.backup.rooms import ROOMS
from provision.backup.store import INDEX, Store
from provision.errors import UserError
from provision.push.plan import ssh_target_of
from provision.ssh.client import connect
from provision.ssh.endpoint import Endpoint, SshTarget
from tests.support.push.loopback import RigBoat, free_port

BYTES = random.Random(1).randbytes(3_000_000)


class Boat:
    """A boat whose data partition a test fills, and its backup."""

    def __init__(self, rig_boat: RigBoat, data: Path, backup: Path) -> None:
        self.target: SshTarget = ssh_target_of(
            rig_boat.open_boat, {rig_boat.open_boat.name: rig_boat.endpoint}
        )
        self.data, self.backup = data, backup
        self.folders = {room.name: str(data / Path(room.folder).name) for room in ROOMS}
        for folder in self.folders.values():
            Path(folder).mkdir(parents=True)

    def put(self, key: str, content: bytes, time: int = 1_800_000_000) -> Path:
        """Write a file aboard."""
        path = self.data / key
        path.write_bytes(content)
        os.utime(path, (time, time))
        return path

    def put_below(self, key: str, content: bytes, time: int = 1_800_000_000) -> Path:
        """Write a file aboard, with its folders."""
        (self.data / key).parent.mkdir(parents=True, exist_ok=True)
        return self.put(key, content, time)

    @contextmanager
    def connected(self) -> Iterator[Aboard]:
        with connect(self.target, 2**30) as transport:
            yield Aboard(transport, self.folders)

    def store(self) -> Store:
        return Store.open(self.backup, "ours")

    def copy(self) -> Copied:
        with self.connected() as aboard:
            return copy_boat(aboard, self.store())

    def kept(self, key: str) -> bytes:
        return (self.backup / "ours" / key).read_bytes()


@pytest.fixture(scope="module")
def rig_boat(rig: Callable[..., RigBoat]) -> RigBoat:
    return rig("ours")


@pytest.fixture
def boat(rig_boat: RigBoat, tmp_path: Path) -> Boat:
    made = Boat(rig_boat, tmp_path / "data", tmp_path / "backup")
    made.put("log/log-000001-2026-05-03.gz", BYTES)
    made.put("log/log-000002-2026-05-04.gz", BYTES[:100_000])
    made.put("settings/kept", b"a" * 64 + b"  " + b"a" * 64 + b".tar\n")
    made.put(f"settings/{'a' * 64}.tar", BYTES[:5000])
    return made


def test_everything_is_copied_and_nobody_else_can_read_it(boat: Boat) -> None:
    copied = boat.copy()
    assert (copied.files, copied.left_out) == (4, ())
    assert copied.sent == len(BYTES) + 100_000 + 5000 + 64 + 2 + 64 + 5
    for path in boat.data.rglob("*.*"):
        assert boat.kept(str(path.relative_to(boat.data))) == path.read_bytes()
    for path in [boat.backup, *boat.backup.rglob("*")]:
        if path.name != ".gitignore":
            assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path
    assert (boat.backup / ".gitignore").read_text().endswith("*\n")
    index = json.loads(boat.kept(INDEX))
    assert index["files"]["log/log-000002-2026-05-04.gz"]["size"] == 100_000


def test_nothing_new_sends_nothing(boat: Boat) -> None:
    boat.copy()
    again = boat.copy()
    assert (again.files, again.sent, again.kept) == (0, 0, 4)


def test_of_a_file_that_has_grown_only_its_end_is_sent(boat: Boat) -> None:
    boat.copy()
    boat.put("log/log-000002-2026-05-04.gz", BYTES[:130_000], 1_800_000_300)
    again = boat.copy()
    assert (again.files, again.sent) == (1, 30_000)
    assert boat.kept("log/log-000002-2026-05-04.gz") == BYTES[:130_000]


def test_a_file_whose_day_was_corrected_is_renamed_here_too(boat: Boat) -> None:
    boat.copy()
    (boat.data / "log/log-000002-2026-05-04.gz").rename(boat.data / "log/log-000002-2026-05-05.gz")
    again = boat.copy()
    assert again.sent == 0
    assert boat.kept("log/log-000002-2026-05-05.gz") == BYTES[:100_000]
    assert not (boat.backup / "ours/log/log-000002-2026-05-04.gz").exists()


@pytest.mark.parametrize("content", [BYTES[:60_000], BYTES[5:60_005], BYTES[7:200_007]])
def test_a_file_that_is_another_now_replaces_none(boat: Boat, content: bytes) -> None:
    """As after a power cut that took the file's end, or on another card."""
    boat.copy()
    boat.put("log/log-000002-2026-05-04.gz", content, 1_800_000_900)
    boat.copy()
    assert boat.kept("log/log-000002-2026-05-04.gz") == content
    assert boat.kept("set-aside/log-000002-2026-05-04.gz.1") == BYTES[:100_000]


def test_a_copy_that_was_cut_off_goes_on_where_it_stopped(
    boat: Boat, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = Aboard.pieces

    def cut(self: Aboard, file: FileAboard, start: int) -> Iterator[bytes]:
        for number, piece in enumerate(whole(self, file, start)):
            if number == 5:
                raise Broken("the connection broke")
            yield piece

    monkeypatch.setattr(Aboard, "pieces", cut)
    with pytest.raises(Broken):
        boat.copy()
    assert not list((boat.backup / "ours/log").glob("log-*"))
    monkeypatch.setattr(Aboard, "pieces", whole)
    again = boat.copy()
    assert 0 < again.sent < len(BYTES) + 100_000
    assert boat.kept("log/log-000001-2026-05-03.gz") == BYTES


@pytest.mark.parametrize(("times", "arrives"), [(1, True), (10, False)])
def test_bytes_that_changed_on_the_way_are_not_taken(
    boat: Boat, monkeypatch: pytest.MonkeyPatch, times: int, arrives: bool
) -> None:
    whole, left = Aboard.pieces, times

    def flip(self: Aboard, file: FileAboard, start: int) -> Iterator[bytes]:
        nonlocal left
        for piece in whole(self, file, start):
            wrong = left > 0 and file.name.startswith("log-000001")
            yield bytes([piece[0] ^ 1]) + piece[1:] if wrong else piece
            left -= wrong

    monkeypatch.setattr(aboard_module, "PIECE_BYTES", len(BYTES))
    monkeypatch.setattr(Aboard, "pieces", flip)
    copied = boat.copy()
    path = boat.backup / "ours/log/log-000001-2026-05-03.gz"
    assert path.exists() is arrives
    assert bool(copied.left_out) is not arrives
    if arrives:
        assert path.read_bytes() == BYTES


def test_what_a_boat_should_not_have_is_not_copied(boat: Boat, tmp_path: Path) -> None:
    log = boat.data / "log"
    (log / "log-000003-2026-05-05.gz").symlink_to("/etc/passwd")
    (log / "log-000004-2026-05-05.gz").mkdir()
    os.mkfifo(log / "log-000005-2026-05-05.gz")
    (log / "-rf").write_bytes(b"x")
    (log / "log-000006-2026-05-05.gz\n").write_bytes(b"x")
    with (log / "log-000007-2026-05-05.gz").open("wb") as file:
        file.truncate(2**29 + 1)
    copied = boat.copy()
    assert copied.left_out == ("log/log-000007-2026-05-05.gz: larger than 512 MiB",)
    names = {path.name for path in (boat.backup / "ours/log").iterdir()}
    assert names == {"log-000001-2026-05-03.gz", "log-000002-2026-05-04.gz"}


def test_too_many_files_end_the_backup(boat: Boat, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(aboard_module, "MAX_FILES", 1)
    with pytest.raises(Broken, match="more than 1 files"):
        boat.copy()


@pytest.mark.parametrize(
    "answer",
    [
        "exec yes '[\"a\"]'",
        "echo '[1, 2, 3, 4]'",
        "echo '[]'",
        "echo not JSON",
        "exec true",
    ],
)
def test_a_boat_that_answers_nonsense_is_not_believed(
    boat: Boat, monkeypatch: pytest.MonkeyPatch, answer: str
) -> None:
    monkeypatch.setattr(aboard_module, "DIGEST_COMMAND", answer)
    with pytest.raises(Broken):
        boat.copy()
    assert not list((boat.backup / "ours/log").glob("log-*"))


def test_settings_that_the_boat_has_thrown_away_go(boat: Boat) -> None:
    """They may hold a secret that was revoked. A log that the boat has deleted stays."""
    boat.copy()
    (boat.data / f"settings/{'a' * 64}.tar").unlink()
    (boat.data / "log/log-000001-2026-05-03.gz").unlink()
    boat.copy()
    assert not (boat.backup / f"ours/settings/{'a' * 64}.tar").exists()
    assert boat.kept("log/log-000001-2026-05-03.gz") == BYTES


def test_a_copy_that_was_lost_here_is_made_again(boat: Boat) -> None:
    boat.copy()
    (boat.backup / "ours/log/log-000002-2026-05-04.gz").unlink()
    assert boat.copy().files == 1
    assert boat.kept("log/log-000002-2026-05-04.gz") == BYTES[:100_000]


def test_the_backup_of_another_boat_is_not_touched(boat: Boat) -> None:
    boat.copy()
    file = boat.backup / "ours" / INDEX
    content = json.loads(file.read_text())
    file.write_text(json.dumps(content | {"boat": "theirs"}))
    with pytest.raises(UserError, match="backup of theirs"):
        boat.copy()
    file.write_text("{")
    with pytest.raises(UserError, match="cannot be read"):
        boat.copy()


def test_a_boat_that_is_off_holds_no_other_up(
    boat: Boat, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    off = replace(boat.target, boat="away", endpoints=(Endpoint("127.0.0.1", free_port()),))
    seen: list[str] = []
    found = back_up(
        [(off, boat.backup), (boat.target, boat.backup)],
        lambda name, text: seen.append(f"{name} {text}"),
        boat.folders,
    )
    assert [result.ok for result in found] == [False, True]
    assert "does not answer" in found[0].reason
    assert "switched on" in found[0].hint
    assert not (boat.backup / "away").exists()
    assert seen[-1] == "ours 2 of 2 MiB"
    assert club.back_up([]) == []


CHART = "charts/coast/north/NO 5.kap"


def test_charts_are_copied_with_their_folders_and_the_same_once(boat: Boat) -> None:
    boat.put_below("charts/one.mbtiles", BYTES)
    boat.put_below(CHART, b"first")
    copied = boat.copy()
    assert copied.left_out == () and boat.kept(CHART) == b"first"
    assert boat.kept("charts/one.mbtiles") == BYTES
    assert boat.copy().sent == 0
    for path in (boat.backup / "ours/charts").rglob("*"):
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


def test_a_new_edition_of_a_chart_replaces_the_former_one(boat: Boat) -> None:
    boat.put_below(CHART, BYTES[:1000])
    boat.copy()
    boat.put_below(CHART, BYTES[500:2500], 1_800_000_300)
    again = boat.copy()
    assert (again.files, again.sent) == (1, 2000)
    assert boat.kept(CHART) == BYTES[500:2500]
    assert not (boat.backup / "ours/set-aside").exists()


def test_a_chart_that_is_gone_aboard_goes_but_an_empty_boat_takes_nothing_away(boat: Boat) -> None:
    """A new card has no charts yet. That is no reason to lose those of before."""
    boat.put_below(CHART, b"first")
    boat.put_below("charts/two.kap", b"second")
    boat.copy()
    (boat.data / CHART).unlink()
    boat.copy()
    assert not (boat.backup / "ours" / CHART).exists()
    (boat.data / "charts/two.kap").unlink()
    boat.copy()
    assert boat.kept("charts/two.kap") == b"second"


def test_what_is_no_chart_is_not_copied(boat: Boat) -> None:
    """Neither what was not whole yet, nor links, nor a name that boat-charts would not take."""
    boat.put_below("charts/.new/file", b"half")
    boat.put_below("charts/line\nfeed.kap", b"x")
    boat.put_below("charts/" + "d/" * 9 + "deep.kap", b"x")
    (boat.data / "charts/link.kap").symlink_to("/etc/passwd")
    (boat.data / "charts/up").symlink_to("/etc")
    boat.put_below("charts/one.kap", b"one")
    assert boat.copy().files == 5
    kept = [path for path in (boat.backup / "ours/charts").rglob("*") if path.is_file()]
    assert [path.name for path in kept] == ["one.kap"]


def test_a_file_in_place_of_a_folder_is_left_out_and_named(boat: Boat) -> None:
    boat.put_below("charts/coast", b"a file")
    boat.copy()
    (boat.data / "charts/coast").unlink()
    boat.put_below("charts/coast/one.kap", b"one")
    boat.put_below("charts/two.kap", b"two")
    copied = boat.copy()
    assert [text.partition(":")[0] for text in copied.left_out] == ["charts/coast/one.kap"]
    assert boat.kept("charts/two.kap") == b"two" and boat.kept("charts/coast") == b"a file"


def test_a_chart_that_was_cut_off_goes_on_where_it_stopped(
    boat: Boat, monkeypatch: pytest.MonkeyPatch
) -> None:
    boat.put_below("charts/one.mbtiles", BYTES)
    whole = Aboard.pieces

    def cut(self: Aboard, file: FileAboard, start: int) -> Iterator[bytes]:
        for number, piece in enumerate(whole(self, file, start)):
            if file.room.name == "charts" and number == 4:
                raise Broken("the cable")
            yield piece

    with monkeypatch.context() as patch:
        patch.setattr(Aboard, "pieces", cut)
        with pytest.raises(Broken):
            boat.copy()
    again = boat.copy()
    assert boat.kept("charts/one.mbtiles") == BYTES
    assert 0 < again.sent < len(BYTES)
