# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the page of a command that ended without a result."""

from __future__ import annotations

from provision.errors import UserError, UserErrors
from provision.report.page import Page, ToDo, cut, sentence


def flat(error: UserError) -> list[UserError]:
    """List an error, or the errors that it reports together."""
    return error.errors if isinstance(error, UserErrors) else [error]


def describe(error: UserError) -> tuple[str, str]:
    """Return the name of the file that an error is in, and where there it is, and what it is."""
    if error.location is None:
        return "", cut(error.message)
    return error.location.file.name, cut(f"{error.message} ({error.location})")


def failed_page(kind: str, error: UserError) -> Page:
    """Make the page of a command that could not run."""
    todos = [ToDo((describe(one),), sentence(one.hint)) for one in flat(error)]
    return Page(kind, f"{kind} could not run", todos=tuple(todos))


def ended_page(kind: str, reason: str, action: str) -> Page:
    """Make the page of a command that was ended before its result."""
    return Page(kind, f"{kind} was ended early", todos=(ToDo((("", reason),), sentence(action)),))
