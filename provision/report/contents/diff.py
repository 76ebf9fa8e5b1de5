# SPDX-License-Identifier: GPL-3.0-or-later
"""Divide the diffs of a dry run by file, and name the boats in which a file changes alike.

The diffs come with their secrets replaced already, see provision/push/query/redact.py.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import pairwise

from provision.push.result import PushResult
from provision.report.page import Change

#: Characters of all diffs of a report. Files beyond it are named, and their lines left out.
MAX_CHANGES_CHARS = 36_000

#: Characters of one line.
MAX_LINE_CHARS = 400

#: Files that are named at most.
MAX_FILES = 60

_MODE = re.compile(r"mode of (/.*): (\d+ -> \d+)")
_OLD = re.compile(r"--- (?:aboard(/.*)|/dev/null)")
_NEW = re.compile(r"\+\+\+ (?:new(/.*)|/dev/null)")


def list_changes(results: Iterable[PushResult]) -> tuple[tuple[Change, ...], str]:
    """List how files change, each change once, and say what was left out, if anything."""
    boats: dict[tuple[str, str], list[str]] = {}
    for result in results:
        for path, text in split(result.diff):
            boats.setdefault((path, text), []).append(result.boat)
    changes, left = [], MAX_CHANGES_CHARS
    for path, text in sorted(boats, key=lambda key: key[0])[:MAX_FILES]:
        lines = tuple(line[:MAX_LINE_CHARS] for line in text.splitlines())
        left -= sum(map(len, lines))
        changes.append(Change(path, tuple(boats[path, text]), lines if left >= 0 else ()))
    cut = left < 0 or len(boats) > MAX_FILES
    note = " Not all fits on this page: push --dry-run shows it." if cut else ""
    return tuple(changes), f"Secrets are replaced by numbers.{note}" if changes else ""


def split(diff: str) -> list[tuple[str, str]]:
    """Divide a diff by file, as path and lines. A change of mode comes as a line that begins @."""
    found: dict[str, list[str]] = {}
    lines = iter(pairwise([*diff.splitlines(), ""]))
    path = ""
    for line, after in lines:
        if mode := _MODE.fullmatch(line):
            found.setdefault(mode[1], []).append(f"@ mode {mode[2]}")
        elif (old := _OLD.fullmatch(line)) and (new := _NEW.fullmatch(after)):
            path = new[1] or old[1] or ""
            found.setdefault(path, [])
            next(lines, None)
        else:
            found.setdefault(path, []).append(line)
    return [(path, "\n".join(lines)) for path, lines in found.items()]
