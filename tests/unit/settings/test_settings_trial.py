# SPDX-License-Identifier: GPL-3.0-or-later
"""What a trial changes, in which order, and how it ends."""

from __future__ import annotations

from conftest import NEW, OLD
from settings_boat import Boat, pack, snapshot

from provision.onboard.settings.durable import keep
from provision.onboard.settings.errors import Exit
from provision.onboard.settings.restore import give_back
from provision.onboard.settings.status import status
from provision.onboard.settings.trial import Request, trial


def ask(data: bytes, digest: str, **more: bool) -> Request:
    return Request(data, digest, 60, "ann@laptop", **more)


def test_trial_then_return(boat: Boat) -> None:
    before = snapshot(boat.places.root)
    done = trial(boat.places, boat.system, ask(*pack(NEW)))
    result, code = give_back(boat.places, boat.system, "asked for", deadline=False)
    assert code is Exit.WELL
    assert snapshot(boat.places.root) == before
    assert not boat.system.armed()


def test_trial_then_keep(boat: Boat) -> None:
    data, digest = pack(NEW)
    trial(boat.places, boat.system, ask(data, digest))
    after = snapshot(boat.places.root)
    assert (boat.places.store / "kept").read_text() == f"{digest}  {digest}.tar\n"
    after.pop("etc/boat/.return-space")
    assert snapshot(boat.places.root) == after
