# SPDX-License-Identifier: GPL-3.0-or-later
"""Report what a push changes in a boat, with a diff if requested: an Ansible action."""

from __future__ import annotations

import subprocess
from typing import Any

from ansible.plugins.action import ActionBase


class ActionModule(ActionBase):  # type: ignore[misc]
    """Records `outcome` and `changed` (paths) for the boat, and changes nothing itself.

    `differ` is the command on this machine that prints the diff. The paths are appended to it.
    """

    TRANSFERS_FILES = False
    _VALID_ARGS = frozenset(("outcome", "changed", "differ"))
    _requires_connection = False

    def run(self, tmp: str | None = None, task_vars: Any = None) -> dict[str, Any]:
        """Record it for this host as `set_stats` does."""
        result: dict[str, Any] = super().run(tmp, task_vars)
        changed = list(self._task.args["changed"])
        stats = {"outcome": self._task.args["outcome"], "changed": changed}
        result |= {
            "changed": bool(changed),
            "ansible_stats": {"data": stats, "per_host": True, "aggregate": False},
        }
        if changed and self._task.diff:
            done = subprocess.run(
                [*map(str, self._task.args["differ"]), *changed],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                text=True,
                errors="replace",
                check=False,
            )
            result["diff"] = {"prepared": done.stdout}
            if done.returncode != 0:
                result["warnings"] = [done.stderr.strip()]
        return result
