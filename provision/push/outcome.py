# SPDX-License-Identifier: GPL-3.0-or-later
"""Work out the result of a push from the playbook's events and the boat's own status."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING

from provision.push.deployment import Deployment
from provision.push.query.poll import StatusQuery, poll_until, settled
from provision.push.result import Outcome, PushResult
from provision.ssh.endpoint import (
    NO_ANSWER,
    NO_SUCH_NAME,
    NOT_LET_IN,
    WRONG_KEY,
    Endpoint,
    fingerprint,
    refused,
)
from provision.ssh.refusal import (
    explain_known_key,
    explain_no_answer,
    explain_no_login,
    explain_other_machine,
)

if TYPE_CHECKING:
    from provision.push.ansible.playbook import HostEvents

#: Seconds that a boat gets beyond its timer to roll back and to answer again.
ROLLBACK_GRACE_S = 30

#: What Ansible and boat-settings put before a message that needs no prefix.
MESSAGE_PREFIXES = (
    "Task failed: ",
    "Failed to connect to the host via ssh:",
    " ",
    "boat-settings: ",
)


def push_result(boat: Deployment, events: HostEvents, timer: int) -> PushResult:
    """Work out how the push ended for one boat.

    Where the trial may have begun and no event tells its end, poll the boat until nothing is
    on trial any more: at the latest when its timer has run out.
    """
    failure = events.failures[0] if events.failures else None
    reason, hint = explain_failure(boat, failure["message"]) if failure else ("", "")
    step = failure["step"] if failure else ""
    outcome = events.stats.get("outcome")
    if not events.steps and not failure:
        outcome = Outcome.HELD
    if outcome == Outcome.UNCHANGED and failure:
        outcome = Outcome.FAILED
    if not outcome and failure and (step == "preflight" or failure["event"] == "unreachable"):
        # Once the trial was ordered, no lost connection ends the playbook.
        away = failure["event"] == "unreachable" and not refused(failure["message"])
        outcome = Outcome.UNREACHABLE if away else Outcome.REFUSED
        hint = unreachable_hint(boat) if away else hint
    if step == "prove" and _timer_expired(events, timer):
        if "the proof did not end" not in reason:
            reason = f"its timer of {timer} s ran out while it was being proven; last: {reason}"
        hint = f"give it longer, such as --timer {2 * timer}"
    if not outcome:
        end = events.steps["trial"] + timer + ROLLBACK_GRACE_S if "trial" in events.steps else 0.0
        reason = reason or "the push was interrupted"
        outcome, reason = _poll_outcome(boat, reason, end - time.monotonic())
    changes = Outcome(outcome) in (Outcome.KEPT, Outcome.STAGED, Outcome.WOULD_CHANGE)
    endpoint = events.stats.get("endpoint")
    if Outcome(outcome) is Outcome.HELD:
        reason = "the roll-out ended before it came to this boat"
    return PushResult(
        boat=boat.name,
        outcome=Outcome(outcome),
        sha256=boat.sha256,
        reason=reason,
        hint=hint,
        step=step,
        seconds=events.ended - events.started,
        changed=tuple(events.stats.get("changed", ())) if changes else (),
        notes=tuple(events.stats.get("notes", ())),
        endpoint=Endpoint(str(endpoint["host"]), int(endpoint["port"]))
        if endpoint
        else boat.endpoint,
    )


def _timer_expired(events: HostEvents, timer: int) -> bool:
    """Tell whether the timer, which starts with the trial, expired before the proof ended."""
    failed = next((event.get("at", events.ended) for event in events.failures), events.ended)
    return "trial" in events.steps and failed - events.steps["trial"] >= timer


def unreachable_hint(boat: Deployment) -> str:
    """Write a hint about a boat that does not answer: what to check, and which option to give."""
    job = json.loads((boat.folder / "job.json").read_text(encoding="utf-8"))
    network = job["profile"]["network"]
    point = network.get("access_point")
    networks = [f'its Wi-Fi "{point["ssid"]}"'] if point else []
    networks += ["its wired port"] if network.get("wired") == "boat" else []
    hint = f"Is it switched on, and is this laptop on {' or '.join(networks) or 'its network'}?"
    if boat.ssh_target.unseen:
        hint += f" If it has another address now, say which: --at {boat.name}=ADDRESS"
    return hint


def explain_failure(boat: Deployment, message: str) -> tuple[str, str]:
    """Turn the message of a failed task into a reason and a hint."""
    endpoint = boat.endpoint
    target = boat.ssh_target
    known = explain_known_key(target, endpoint, lambda key: fingerprint(key) in message)
    if known:
        return known
    if any(words in message for words in WRONG_KEY):
        return explain_other_machine(target, endpoint)
    if any(words in message for words in NOT_LET_IN):
        return explain_no_login(target, endpoint)
    if any(words in message for words in NO_ANSWER):
        unknown = NO_SUCH_NAME.search(message)
        return explain_no_answer(target, endpoint, unknown[1] if unknown else ""), ""
    plain = " ".join(message.split())
    for words in MESSAGE_PREFIXES:
        plain = plain.removeprefix(words)
    return plain or f"the connection to {endpoint} broke", ""


def _poll_outcome(boat: Deployment, reason: str, timeout_s: float) -> tuple[Outcome, str]:
    query = StatusQuery.read(boat.folder / "status_query.json")
    answer = poll_until(query, "settled", timeout_s)
    if answer.status is None:
        how = answer.error if answer.unreadable else f"did not answer: {answer.error}"
        return Outcome.FAILED, f"{reason}; then the boat {how}"
    if not settled(answer.status, boat.sha256):
        return Outcome.FAILED, f"{reason}; the settings are still on trial"
    if answer.status["kept"] == boat.sha256:
        return Outcome.KEPT, reason
    return Outcome.ROLLED_BACK, reason
