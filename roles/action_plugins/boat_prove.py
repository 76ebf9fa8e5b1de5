# SPDX-License-Identifier: GPL-3.0-or-later
"""Run the suite that proves a boat, on this machine: an Ansible action."""

from __future__ import annotations

import json
import subprocess
from typing import Any

from ansible.plugins.action import ActionBase


class ActionModule(ActionBase):  # type: ignore[misc]
    """Fails with the suite's own summary when `prover`, a command, fails or takes too long.

    Otherwise the statistic `notes` of the boat is what the suite noted.
    """

    TRANSFERS_FILES = False
    _VALID_ARGS = frozenset(("prover", "seconds"))
    _requires_connection = False

    def run(self, tmp: str | None = None, task_vars: Any = None) -> dict[str, Any]:
        """Run the suite. It changes nothing aboard, so that check mode runs it too."""
        result: dict[str, Any] = super().run(tmp, task_vars)
        seconds = int(self._task.args["seconds"])
        try:
            done = subprocess.run(
                [str(word) for word in self._task.args["prover"]],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                text=True,
                errors="replace",
                timeout=seconds,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return result | {"failed": True, "msg": f"the proof did not end within {seconds} s"}
        if done.returncode == 0:
            data = {"notes": _notes(done.stdout)}
            stats = {"data": data, "per_host": True, "aggregate": False}
            return result | {"ansible_stats": stats}
        ended = f"the suite ended with status {done.returncode}"
        message = _summary(done.stdout) or done.stderr.strip() or ended
        return result | {"failed": True, "rc": done.returncode, "msg": message}


def _notes(output: str) -> list[str]:
    """Return what the suite noted of the instruments, for the result of the push."""
    try:
        return [str(note) for note in json.loads(output)["notes"]]
    except (ValueError, KeyError, TypeError):
        return []


def _summary(output: str) -> str:
    """Return the suite's summary, or "" without one."""
    try:
        return str(json.loads(output)["summary"])
    except (ValueError, KeyError, TypeError):
        return ""
