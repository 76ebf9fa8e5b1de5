# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold what a survey made of a profile, and what `check` says of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from provision.checks import Finding


@dataclass(frozen=True)
class Outcome:
    """Hold what is printed of a profile, as lines or as JSON."""

    lines: Sequence[str]
    result: dict[str, Any]
    ok: bool = True
    """Whether `check` finds no error."""


def format_found(findings: Sequence[Finding], boat: str) -> list[str]:
    """Return the lines of what `check` finds."""
    from provision.checks.finding import format_lines, summarize

    return [*format_lines(findings), summarize(findings, [boat])]


def is_ok(findings: Sequence[Finding]) -> bool:
    """Report whether a profile has no error."""
    return all(finding.level != "error" for finding in findings)
