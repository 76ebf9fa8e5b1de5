# SPDX-License-Identifier: GPL-3.0-or-later
"""Text of others on the screen."""

from __future__ import annotations

import pytest

from provision.cli.common import fail
from provision.errors import UserError, UserErrors
from provision.harmless import harmless
from provision.progress import note


@pytest.mark.parametrize(
    "text", ["\x1b[2J", "\x1b]0;title\x07", "\x9b2J", "\r", "\b", "\u202egnp", "\u2028", "\udc80"]
)
def test_nothing_steers_the_terminal(capsys: pytest.CaptureFixture[str], text: str) -> None:
    fail(UserError(f"said {text}", hint=text))
    fail(UserErrors([UserError(text)]))
    note(text)
    shown = "".join(capsys.readouterr())
    assert "\ufffd" in shown
    assert not set(shown) & set("\x1b\x07\x9b\r\b\u202e\u2028\udc80")


def test_what_people_write_stays() -> None:
    assert harmless("Möwe\n\t50° 57.9 N, 帆") == "Möwe\n\t50° 57.9 N, 帆"


def test_it_is_bounded() -> None:
    assert harmless("x" * 100_000, 10) == "xxxxxxxxxx..."
