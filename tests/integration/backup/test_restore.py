# SPDX-License-Identifier: GPL-3.0-or-later
"""A new card gets logs, history and charts of a backup, and nothing that is damaged."""

from __future__ import annotations

import hashlib
import random
import subprocess
from pathlib import Path
from typing import Any

import pytest

from provision.backup.restore import find_restorable
from provision.backup.store import Copy, Store
from provision.card.base.base import Base
from provision.card.image.assemble import assemble
from provision.card.image.identity import check_parts
from provision.card.layout.partitions import MIB, Layout
from provision.commands import run
from provision.errors import UserError
from provision.render import Settings
from tests.support.small_base import BOARD

FILES = {
    "log/log-000001-2026-05-03.gz": random.Random(1).randbytes(170 * MIB),
    "log/log-000002-2026-05-04.gz": b"second",
    "history/days": b"days",
    f"settings/{'a' * 64}.tar": b"secret of before",
    "charts/one.mbtiles": b"a chart",
    'charts/coast/north/NO "5" x.kap': b"another",
}


@pytest.fixture
def backup(tmp_path: Path) -> Path:
    """Give a folder of backups, whose name debugfs could not take."""
    parent = tmp_path / 'a "name"'
    store = Store.open(parent, "dunlin")
    for key, content in FILES.items():
        store.make_folders(key)
        store.path(key).write_bytes(content)
        store.copies[key] = Copy(len(content), 1_600_000_000, hashlib.sha256(content).hexdigest())
    store.write_index()
    return parent


def test_a_card_with_a_backup_is_whole_and_larger(
    tmp_path: Path, backup: Path, small: Base
) -> None:
    manifest: dict[str, Any] = {"boat": "dunlin"}
    settings = Settings({}, manifest, b"archive", "5" * 64)
    image, data = tmp_path / "dunlin.img", tmp_path / "data"
    restored = find_restorable(backup, "dunlin")
    assert restored.damaged == ()
    layout = assemble(BOARD, settings, small, image, restored.files)
    plain = Layout(BOARD.table, "5" * 64)
    assert image.stat().st_size == layout.size > plain.size + 170 * MIB
    assert layout.data.partuuid == plain.data.partuuid
    check_parts(image)
    with image.open("rb") as file:
        file.seek(layout.data.offset)
        data.write_bytes(file.read(layout.data.size))
    assert subprocess.run(["/usr/sbin/e2fsck", "-fn", data], check=False).returncode == 0
    run("debugfs", "-R", f"rdump log {tmp_path}", data)
    run("debugfs", "-R", f"rdump history {tmp_path}", data)
    run("debugfs", "-R", f"rdump charts {tmp_path}", data)
    for key in [key for key in FILES if not key.startswith("settings/")]:
        assert (tmp_path / key).read_bytes() == FILES[key]
    listed = run("debugfs", "-R", "ls -l log", data).stdout
    assert "100660 (1)      0     20" in listed
    assert "100660 (1)      0     33" in run("debugfs", "-R", "ls -l history", data).stdout
    listed = run("debugfs", "-R", "ls -l charts", data).stdout
    assert "100664 (1)      0     46" in listed and " 40775 (2)      0     46" in listed
    assert (tmp_path / "charts/one.mbtiles").stat().st_mtime == 1_600_000_000
    assert "secret of before" not in run("debugfs", "-R", "ls -l settings", data).stdout
    assert f"{'a' * 64}" not in run("debugfs", "-R", "ls -l settings", data).stdout


def test_a_damaged_copy_stays_away_and_is_named(backup: Path) -> None:
    (backup / "dunlin/log/log-000002-2026-05-04.gz").write_bytes(b"secund")
    (backup / "dunlin/history/days").unlink()
    restored = find_restorable(backup, "dunlin")
    assert list(restored.files) == [
        'charts/coast/north/NO "5" x.kap',
        "charts/one.mbtiles",
        "log/log-000001-2026-05-03.gz",
    ]
    assert restored.damaged == ("history/days", "log/log-000002-2026-05-04.gz")


def test_without_a_backup_it_says_how_to_get_one(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no backup of dunlin") as error:
        find_restorable(tmp_path, "dunlin")
    assert "provision backup dunlin" in error.value.hint
    assert not (tmp_path / "dunlin").exists()
