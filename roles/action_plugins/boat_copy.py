# SPDX-License-Identifier: GPL-3.0-or-later
"""Copy one file into a boat's memory with one command over SSH: an Ansible action.

`ansible.builtin.copy` starts Python aboard several times for the same.
"""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

from ansible.plugins.action import ActionBase


class ActionModule(ActionBase):  # type: ignore[misc]
    """Copies `src` on this machine to `dest` aboard, readable by its owner only (mode 0600)."""

    TRANSFERS_FILES = False
    _VALID_ARGS = frozenset(("src", "dest"))
    _supports_check_mode = False

    def run(self, tmp: str | None = None, task_vars: Any = None) -> dict[str, Any]:
        """Copy. A connection that breaks meanwhile leaves the boat unreachable."""
        result: dict[str, Any] = super().run(tmp, task_vars)
        dest = shlex.quote(self._task.args["dest"])
        content = Path(self._task.args["src"]).read_bytes()
        command = f"umask 077 && rm -f {dest} && cat >{dest}"
        status, _, errors = self._connection.exec_command(command, in_data=content, sudoable=False)
        message = errors.decode(errors="replace").strip()
        return result | {"changed": True, "failed": status != 0, "rc": status, "stderr": message}
