# SPDX-License-Identifier: GPL-3.0-or-later
"""Query a boat's status over a new connection: an Ansible action.

One process on this machine does the work of four tasks, which would each start a process.
"""

from __future__ import annotations

import json
import subprocess
from typing import Any

from ansible.plugins.action import ActionBase

#: The reason reported when neither the caller nor the boat gives one.
NO_REASON = "the boat rolled the new settings back and does not say why"


class ActionModule(ActionBase):  # type: ignore[misc]
    """Returns the boat's `status`, and the `host` and `port` where it answered.

    `poller` is the command that asks. It waits at most `seconds` for what `until` names. With
    `digest`, the boat must have those settings as `having` says (live, kept or staged).
    Otherwise the task fails with the reason `otherwise`, or else the boat's own. On success,
    `stats` is recorded for the boat as `set_stats` does.
    """

    TRANSFERS_FILES = False
    _VALID_ARGS = frozenset(
        ("poller", "until", "seconds", "digest", "having", "otherwise", "stats")
    )
    _requires_connection = False
    _supports_check_mode = False

    def run(self, tmp: str | None = None, task_vars: Any = None) -> dict[str, Any]:
        """Ask, and compare."""
        result: dict[str, Any] = super().run(tmp, task_vars)
        args = self._task.args
        done = subprocess.run(
            [*map(str, args["poller"]), str(args["until"]), str(args["seconds"])],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
        if done.returncode != 0:
            return result | {"failed": True, "rc": done.returncode, "msg": done.stderr.strip()}
        answer = json.loads(done.stdout)
        if "digest" in args and _has(answer["status"], args["having"]) != args["digest"]:
            own = (answer["status"]["last_return"] or {}).get("reason")
            result |= {"failed": True, "msg": args.get("otherwise") or own or NO_REASON}
        elif "stats" in args:
            endpoint = {"host": answer["host"], "port": answer["port"]}
            data = {**args["stats"], "endpoint": endpoint}
            result["ansible_stats"] = {"data": data, "per_host": True, "aggregate": False}
        return result | answer


def _has(status: dict[str, Any], having: str) -> str | None:
    """Return the digest of the settings that the boat has live, kept or staged."""
    found = status[having]
    return found["digest"] if isinstance(found, dict) else found
