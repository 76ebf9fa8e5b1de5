# SPDX-License-Identifier: GPL-3.0-or-later
"""Ctrl-C in the middle of a push: nothing goes on ashore, and the boat returns by itself."""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from provision import verify
from provision.push.play import PushOptions, push
from tests.unit.push.loopback import RigBoat

HOSTAPD = "etc/hostapd/boat.conf"

#: Seconds; the boat's own shortest.
TIMER = 5


def running(folder: Path) -> list[str]:
    """The processes of this machine that were started with something in `folder`."""
    found = []
    for place in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            line = place.read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue
        if str(folder) in line:
            found.append(line)
    return found


def test_nothing_goes_on(rig: Callable[..., RigBoat], monkeypatch: pytest.MonkeyPatch) -> None:
    with tempfile.TemporaryDirectory(prefix="i") as short:
        runtime = Path(short)
        monkeypatch.setenv("XDG_RUNTIME_DIR", short)
        monkeypatch.setattr(
            verify, "command", lambda job: [sys.executable, "-c", "input()", str(job)]
        )
        boat = rig("stopped")
        before = (boat.root / HOSTAPD).read_bytes()
        boat.change("stopped two", "network", "access_point", "ssid")

        def interrupted(event: dict[str, Any]) -> None:
            if event.get("stage") == "prove":
                assert running(runtime)
                raise KeyboardInterrupt

        options = PushOptions(at={"stopped": boat.endpoint}, timer=TIMER)
        with pytest.raises(KeyboardInterrupt):
            push([boat.target], options, interrupted)
        assert list(runtime.iterdir()) == []
        end = time.monotonic() + 5
        while left := running(runtime):
            assert time.monotonic() < end, left
            time.sleep(0.05)
    assert (boat.root / HOSTAPD).read_bytes() != before
    end = time.monotonic() + TIMER + 15
    while (boat.root / HOSTAPD).read_bytes() != before:
        assert time.monotonic() < end, "the boat has not returned"
        time.sleep(0.2)
