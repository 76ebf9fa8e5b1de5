# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat that came up on the second copy of its settings: a push of the same makes it whole."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable

import pytest

from provision.push.options import PushOptions
from provision.push.push import push
from provision.push.result import Outcome
from provision.push.status import fleet_status
from provision.verify import runner
from tests.support.push.loopback import RigBoat

#: A suite that passes without a word.
PROVER = 'print(\'{"summary": "well"}\')'


def test_a_push_of_the_same_settings_mends_the_first(
    rig: Callable[..., RigBoat], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runner, "command", lambda job: [sys.executable, "-c", PROVER, str(job)])
    boat = rig("copied")
    store, at = boat.root / "data/settings", {"copied": boat.endpoint}
    digest = boat.open_boat.render().sha256
    archive = store / f"{digest}.tar"
    archive.rename(archive.with_suffix(".copy"))
    (store / "previous").write_text(f"{digest}  {digest}.copy\n")
    archive.write_bytes(b"damaged")
    (status,) = fleet_status([boat.open_boat], at)
    assert status.due
    assert "the settings that it keeps are damaged" in status.health_issues
    (result,) = push([boat.open_boat], PushOptions(at=at, timer=60))
    assert result.outcome is Outcome.KEPT, result
    assert hashlib.sha256(archive.read_bytes()).hexdigest() == digest
    (status,) = fleet_status([boat.open_boat], at)
    assert status.up_to_date, status
