# SPDX-License-Identifier: GPL-3.0-or-later
"""An Ansible callback plugin that prints one JSON object a line for `provision push`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from ansible.plugins.callback import CallbackBase  # type: ignore[import-untyped]
from ansible.plugins.loader import (  # type: ignore[import-untyped]
    action_loader,
    connection_loader,
    shell_loader,
)

from provision.ssh.endpoint import refused

DOCUMENTATION = """
name: boat_events
type: stdout
short_description: One JSON object a line, for the program that runs the playbook
description:
  - Prints each boat's step, the failures in it, and the statistics at the end.
  - Results of tasks are not printed, only messages of failures; those of tasks under
    C(no_log) arrive here already without their content.
  - Ends a roll-out itself. The program that runs the playbook could not before the next boat.
options:
  halt:
    description: The file whose presence tells the playbook to start no other boat.
    type: path
    env:
      - name: BOAT_HALT
  stop_after:
    description: After how many boats' failures that is; 0 for never.
    type: int
    default: 0
    env:
      - name: BOAT_STOP_AFTER
"""

#: The plugins that the roles use. A forked process that has to load the plugin for OpenSSH reads
#: the plugin's documentation first, which takes longer than its task.
NEEDED = {
    connection_loader: ("ansible.builtin.ssh", "ansible.builtin.local"),
    shell_loader: ("ansible.builtin.sh",),
    action_loader: ("ansible.builtin.raw", "ansible.builtin.set_fact", "ansible.builtin.assert"),
}

#: Characters of a failure's message that are passed on.
MAX_MESSAGE_CHARS = 8192


class CallbackModule(CallbackBase):  # type: ignore[misc]
    """Events: `step` when a boat enters a role, `stats`, `failed`, `unreachable`, and `end`."""

    CALLBACK_VERSION = 2.0
    CALLBACK_TYPE = "stdout"
    CALLBACK_NAME = "boat_events"

    def __init__(self) -> None:
        super().__init__()
        self._steps: dict[str, str] = {}
        self._failed: set[str] = set()

    def v2_playbook_on_start(self, playbook: Any) -> None:
        """Load the plugins that every task needs, before Ansible forks a process for each task."""
        for loader, names in NEEDED.items():
            for name in names:
                loader.get(name, class_only=True)

    def _print(self, event: str, **values: Any) -> None:
        self._display.display(json.dumps({"event": event, **values}))

    def v2_runner_on_start(self, host: Any, task: Any) -> None:
        """Emit `step` when a boat enters another role."""
        step = task._role.get_name() if task._role else ""
        boat = host.get_name()
        if step and self._steps.get(boat) != step:
            self._steps[boat] = step
            self._print("step", boat=boat, step=step)

    def _failure(self, event: str, result: Any) -> None:
        output = result.result
        message = str(output.get("stderr", "").strip() or output.get("msg", ""))
        message = message[:MAX_MESSAGE_CHARS]
        boat = result.host.get_name()
        self._print(event, boat=boat, step=self._steps.get(boat, ""), message=message)
        if event == "failed" or refused(message):
            self._failed.add(boat)
            if len(self._failed) == self.get_option("stop_after"):
                Path(self.get_option("halt")).touch()

    def v2_runner_on_ok(self, result: Any) -> None:
        """Emit `stats` when a task sets them for a boat."""
        if "ansible_stats" in result.result:
            data = result.result["ansible_stats"]["data"]
            self._print("stats", boat=result.host.get_name(), data=data)

    def v2_runner_on_failed(self, result: Any, ignore_errors: bool = False) -> None:
        """Emit `failed` when a task failed on a boat. Its block may still handle that."""
        if not ignore_errors:
            self._failure("failed", result)

    def v2_runner_on_unreachable(self, result: Any) -> None:
        """Emit `unreachable` when a boat did not answer."""
        if not result.task.ignore_unreachable:
            self._failure("unreachable", result)

    def v2_playbook_on_stats(self, stats: Any) -> None:
        """Emit `end` when the playbook ran to its end."""
        self._print("end")
