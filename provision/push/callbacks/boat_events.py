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

from provision.ssh.refusal import refused

DOCUMENTATION = """
name: boat_events
type: stdout
short_description: One JSON object a line, for the program that runs the playbook
description:
  - Prints which stage each boat is in, what failed there, and what was found at the end.
  - Results of tasks are not printed, only messages of failures; those of tasks under
    C(no_log) arrive here already without their content.
  - Ends a roll-out itself, since nobody outside could do so before the next boat is begun with.
options:
  halt:
    description: The file whose presence tells the playbook to begin with no other boat.
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

#: What the roles use. A forked process that has to load the plugin for OpenSSH itself reads the
#: plugin's documentation first, and takes longer for that than for its task.
NEEDED = {
    connection_loader: ("ansible.builtin.ssh", "ansible.builtin.local"),
    shell_loader: ("ansible.builtin.sh",),
    action_loader: ("ansible.builtin.raw", "ansible.builtin.set_fact", "ansible.builtin.assert"),
}

#: Characters of a failure's message that are passed on.
MAX_MESSAGE_CHARS = 8192


class CallbackModule(CallbackBase):  # type: ignore[misc]
    """Events: `stage` when a boat enters a role, `said`, `failed`, `unreachable`, and `end`."""

    CALLBACK_VERSION = 2.0
    CALLBACK_TYPE = "stdout"
    CALLBACK_NAME = "boat_events"

    def __init__(self) -> None:
        super().__init__()
        self._stages: dict[str, str] = {}
        self._failed: set[str] = set()

    def v2_playbook_on_start(self, playbook: Any) -> None:
        """Have what every task of every boat needs here, before a process is forked for each."""
        for loader, names in NEEDED.items():
            for name in names:
                loader.get(name, class_only=True)

    def _print(self, event: str, **values: Any) -> None:
        self._display.display(json.dumps({"event": event, **values}))

    def v2_runner_on_start(self, host: Any, task: Any) -> None:
        """Say so when a boat's first task of another role starts."""
        stage = task._role.get_name() if task._role else ""
        boat = host.get_name()
        if stage and self._stages.get(boat) != stage:
            self._stages[boat] = stage
            self._print("stage", boat=boat, stage=stage)

    def _failure(self, event: str, result: Any) -> None:
        said = result.result
        message = str(said.get("stderr", "").strip() or said.get("msg", ""))[:MAX_MESSAGE_CHARS]
        boat = result.host.get_name()
        self._print(event, boat=boat, stage=self._stages.get(boat, ""), message=message)
        if event == "failed" or refused(message):
            self._failed.add(boat)
            if len(self._failed) == self.get_option("stop_after"):
                Path(self.get_option("halt")).touch()

    def v2_runner_on_ok(self, result: Any) -> None:
        """What the playbook found out about a boat, by `set_stats`."""
        if "ansible_stats" in result.result:
            said = result.result["ansible_stats"]["data"]
            self._print("said", boat=result.host.get_name(), data=said)

    def v2_runner_on_failed(self, result: Any, ignore_errors: bool = False) -> None:
        """A task failed on a boat; its block may still handle that."""
        if not ignore_errors:
            self._failure("failed", result)

    def v2_runner_on_unreachable(self, result: Any) -> None:
        """A boat did not answer, and the playbook cannot go on without it."""
        if not result.task.ignore_unreachable:
            self._failure("unreachable", result)

    def v2_playbook_on_stats(self, stats: Any) -> None:
        """The playbook ran to its end."""
        self._print("end")
