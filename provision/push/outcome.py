# SPDX-License-Identifier: GPL-3.0-or-later
"""From what a push told about a boat, and the boat's own last word, to its result."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING

from provision.push.inventory import Wanted
from provision.push.poll import Asking, hear, settled
from provision.push.result import Outcome, PushResult
from provision.ssh.endpoint import Endpoint, fingerprint
from provision.ssh.refusal import NO_ANSWER, NOT_LET_IN, WRONG_KEY, refused

if TYPE_CHECKING:
    from provision.push.playbook import Story

#: Seconds a boat gets beyond its timer to return and to answer again.
GRACE = 30

#: What is put before a message that says it all.
PREFIXES = ("Task failed: ", "Failed to connect to the host via ssh:", " ", "boat-settings: ")


def verdict(boat: Wanted, story: Story, timer: int) -> PushResult:
    """How the push ended for one boat.

    A boat whose trial may have begun, and which has not said yet how it stands, is asked
    until nothing is on trial any more: at the latest when its timer has run out.
    """
    failure = story.failures[0] if story.failures else None
    reason, hint = explain(boat, failure["message"]) if failure else ("", "")
    stage = failure["stage"] if failure else ""
    outcome = story.said.get("outcome")
    if not story.stages and not failure:
        outcome = Outcome.HELD
    if outcome == Outcome.UNCHANGED and failure:
        outcome = Outcome.FAILED
    if not outcome and failure and (stage == "preflight" or failure["event"] == "unreachable"):
        # Once the trial was ordered, no lost connection ends the playbook.
        away = failure["event"] == "unreachable" and not refused(failure["message"])
        outcome = Outcome.UNREACHABLE if away else Outcome.REFUSED
        hint = elsewhere(boat) if away else hint
    if stage == "prove" and _ran_out(story, timer):
        if "the proof did not end" not in reason:
            reason = f"its timer of {timer} s ran out while it was being proven; last: {reason}"
        hint = f"give it longer, such as --timer {2 * timer}"
    if not outcome:
        end = story.stages["trial"] + timer + GRACE if "trial" in story.stages else 0.0
        reason = reason or "the push was interrupted"
        outcome, reason = _last_word(boat, reason, end - time.monotonic())
    changes = Outcome(outcome) in (Outcome.KEPT, Outcome.STAGED, Outcome.WOULD_CHANGE)
    place = story.said.get("place")
    if Outcome(outcome) is Outcome.HELD:
        reason = "the roll-out ended before it came to this boat"
    return PushResult(
        boat=boat.reach.boat,
        outcome=Outcome(outcome),
        sha256=boat.sha256,
        reason=reason,
        hint=hint,
        stage=stage,
        seconds=story.ended - story.started,
        changed=tuple(story.said.get("changed", ())) if changes else (),
        place=Endpoint(str(place["host"]), int(place["port"])) if place else boat.reach.places[0],
    )


def _ran_out(story: Story, timer: int) -> bool:
    """Whether the boat's timer had run out before the proof ended; it starts with the trial."""
    failed = next((event.get("at", story.ended) for event in story.failures), story.ended)
    return "trial" in story.stages and failed - story.stages["trial"] >= timer


def elsewhere(boat: Wanted) -> str:
    """A hint about a boat that does not answer: what to look at, and for what to ask."""
    job = json.loads((boat.folder / "job.json").read_text(encoding="utf-8"))
    network = job["profile"]["network"]
    point = network.get("access_point")
    ways = [f'its Wi-Fi "{point["ssid"]}"'] if point else []
    ways += ["its wired port"] if network.get("wired") == "boat" else []
    hint = f"Is it switched on, and is this laptop on {' or '.join(ways) or 'its network'}?"
    if boat.reach.unseen:
        hint += f" If it has another address now, say which: --at {boat.reach.boat}=ADDRESS"
    return hint


def explain(boat: Wanted, message: str) -> tuple[str, str]:
    """A reason and a hint for people, from the message of a failed task."""
    place = boat.reach.places[0]
    if any(fingerprint(key) in message for key in boat.reach.stolen_keys):
        return (
            f"{place} shows the host key of a card of {boat.reach.boat}'s that was lost or stolen",
            "it is that card, a copy of it, or an older spare card; nothing was sent there. Put "
            "the new card into the boat",
        )
    if any(fingerprint(key) in message for key in boat.reach.dropped_keys):
        return (
            f"{place} shows a host key of {boat.reach.boat}'s from before it was rotated: the boat "
            "has fallen back to older settings, or somebody else has that key",
            "if it is the boat, push with --former-key",
        )
    if any(words in message for words in WRONG_KEY):
        return (
            f"another machine answers at {place}: its host key is not {boat.reach.boat}'s",
            f"look what has that address; {boat.reach.boat}'s own key is in its secrets",
        )
    if any(words in message for words in NOT_LET_IN):
        return (
            f"{boat.reach.boat} does not let you in at {place}",
            "push with a key that access.keys of the settings aboard names",
        )
    if any(words in message for words in NO_ANSWER):
        return f"{boat.reach.boat} does not answer at {place}", ""
    plain = " ".join(message.split())
    for words in PREFIXES:
        plain = plain.removeprefix(words)
    return plain or f"the connection to {place} broke", ""


def _last_word(boat: Wanted, reason: str, patience: float) -> tuple[Outcome, str]:
    asking = Asking.read(boat.folder / "asking.json")
    word = hear(asking, "settled", patience)
    if word.status is None:
        how = word.error if word.odd else f"did not answer: {word.error}"
        return Outcome.FAILED, f"{reason}; then the boat {how}"
    if not settled(word.status, boat.sha256):
        return Outcome.FAILED, f"{reason}; the settings are still on trial"
    if word.status["kept"] == boat.sha256:
        return Outcome.KEPT, reason
    return Outcome.RETURNED, reason
