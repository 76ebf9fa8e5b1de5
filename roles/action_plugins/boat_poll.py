# SPDX-License-Identifier: GPL-3.0-or-later
"""Query a boat's status over a new connection: an Ansible action.

Ansible reads this file before it starts a process for each boat. What is imported here is then
there, and no task waits for another start of Python.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ansible.plugins.action import ActionBase

from provision.errors import UserError
from provision.push.query.poll import NotReached, StatusQuery, reach

#: The reason reported when neither the caller nor the boat gives one.
NO_REASON = "the boat rolled the new settings back and does not say why"


class ActionModule(ActionBase):  # type: ignore[misc]
    """Returns the boat's `status`, and the `host` and `port` where it answered.

    `query` is the file of a `StatusQuery`. The action waits at most `seconds` for what `until`
    names. With `digest`, the boat must have those settings as `having` says (live, kept or
    staged). Otherwise the task fails with the reason `otherwise`, or else the boat's own. On
    success, `stats` is recorded for the boat as `set_stats` does.
    """

    TRANSFERS_FILES = False
    _VALID_ARGS = frozenset(("query", "until", "seconds", "digest", "having", "otherwise", "stats"))
    _requires_connection = False
    _supports_check_mode = False

    def run(self, tmp: str | None = None, task_vars: Any = None) -> dict[str, Any]:
        """Ask, and compare."""
        result: dict[str, Any] = super().run(tmp, task_vars)
        args = self._task.args
        query = StatusQuery.read(Path(args["query"]))
        try:
            endpoint, status = reach(query, args["until"], float(args["seconds"]))
        except (NotReached, UserError) as error:
            return result | {"failed": True, "rc": 1, "msg": str(error)}
        answer = {"host": endpoint.host, "port": endpoint.port}
        if "digest" in args and _has(status, args["having"]) != args["digest"]:
            own = (status["last_return"] or {}).get("reason")
            result |= {"failed": True, "msg": args.get("otherwise") or own or NO_REASON}
        elif "stats" in args:
            data = {**args["stats"], "endpoint": answer}
            result["ansible_stats"] = {"data": data, "per_host": True, "aggregate": False}
        return result | answer | {"status": status}


def _has(status: dict[str, Any], having: str) -> str | None:
    """Return the digest of the settings that the boat has live, kept or staged."""
    found = status[having]
    return found["digest"] if isinstance(found, dict) else found
