# SPDX-License-Identifier: GPL-3.0-or-later
"""Read a boat's answer to preflight's question: an Ansible action."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from ansible.plugins.action import ActionBase

from provision.bounded import read_json
from provision.push.query.status_shape import not_understood, understood

#: ASCII's record separator, which stands between status, manifest and the feed's state.
SEPARATOR = "\x1e"


class ActionModule(ActionBase):  # type: ignore[misc]
    """Returns the boat's `status`, and what its settings and the new settings hold.

    `answer` is what the boat printed, `manifest` the file of the new settings' manifest on this
    machine. `formats` are the formats of both, `live` and `wanted` their files, each as JSON.
    The state of the boat's feed goes into the file `feed_before`, for the proof to compare with.
    Without a state, or when the boat has settings on trial already, that file is removed.
    Fails when this program cannot read the boat's answer.
    """

    TRANSFERS_FILES = False
    _VALID_ARGS = frozenset(("answer", "manifest", "feed_before"))
    _requires_connection = False

    def run(self, tmp: str | None = None, task_vars: Any = None) -> dict[str, Any]:
        """Compare. This asks the boat nothing, so that check mode runs it too."""
        result: dict[str, Any] = super().run(tmp, task_vars)
        here = json.loads(Path(self._task.args["manifest"]).read_text(encoding="utf-8"))
        status, there, feed = _read(str(self._task.args["answer"]))
        if not understood(status, there):
            return result | {"failed": True, "msg": f"it {not_understood(status)}"}
        before = Path(self._task.args["feed_before"])
        before.unlink(missing_ok=True)
        if feed is not None and status["trial"] is None:
            before.touch(0o600)
            before.write_text(json.dumps(feed), encoding="utf-8")
        return result | {
            "status": status,
            "formats": [there.get("format"), here.get("format")],
            "live": _files(there),
            "wanted": _files(here),
        }


def _read(answer: str) -> tuple[Any, Any, Any]:
    """Return status, manifest and the feed's state. None for each that is missing or not JSON."""
    found: list[Any] = []
    for part in answer.split(SEPARATOR)[:3]:
        try:
            found.append(read_json(part))
        except ValueError:
            found.append(None)
    status, there, feed, *_ = [*found, None, None, None]
    return status, there, feed


def _files(manifest: dict[str, Any]) -> list[str]:
    return [json.dumps({"key": path, "value": entry}) for path, entry in manifest["files"].items()]
