# SPDX-License-Identifier: GPL-3.0-or-later
"""push: what is told before boats are changed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from provision.push import rollout
from tests.support.command import Call


def test_what_will_not_work_is_told_before_a_push(
    call: Call, boats: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The push goes on: the boat proves it, or rolls back."""
    pushed: list[str] = []

    def roll_out(fleet: list[Any], *_: object) -> list[Any]:
        pushed.extend(one.name for one in fleet)
        return []

    monkeypatch.setattr(rollout, "roll_out", roll_out)
    profile = boats / "dunlin.yml"
    profile.write_text(f"{profile.read_text()}feed: {{tcp: 700}}\n")
    call("keys", "dunlin", "--boats", boats)
    call("keys", "kittiwake", "--boats", boats)
    said = call("push", "dunlin", "kittiwake", "--boats", boats, "--json")
    assert pushed == ["dunlin", "kittiwake"]
    assert said.result == {"boats": []}
    assert "dunlin.yml" in said.err
    assert "error: port 700 needs privileges" in said.err
    assert "kittiwake.yml" not in said.err
