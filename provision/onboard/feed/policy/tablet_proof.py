# SPDX-License-Identifier: GPL-3.0-or-later
"""Let a tablet with its own pass-phrase steer only if it has joined by it.

Sentences from the address of such a tablet wait here if they steer or a link listens for them.
They wait until hostapd has reported by which pass-phrase the station with the tablet's hardware
address has joined. The firewall lets nothing in from either address but what came from this
station. A sentence that is not proven goes on without `keyid`, and the gate refuses it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.nmea0183.sentence import Sentence, steers
from provision.onboard.feed.policy.station_query import Answer, Stations
from provision.onboard.feed.report.fault_log import FaultLog

Deliver = Callable[[list[Sentence]], None]

#: Ends all connections from an address that began before a moment on the monotonic clock.
HangUp = Callable[[str, float], None]

#: Sentences of one tablet that wait for an answer: more than any tablet steers with in a second.
MAX_WAITING = 64


class TabletProof:
    """Marks the sentences of tablets that have proven their own pass-phrase."""

    def __init__(
        self,
        steering: models.SteeringOptions | None,
        listened: frozenset[str],
        stations: Stations,
        hang_up: HangUp,
        fault_log: FaultLog,
    ) -> None:
        """Take `listened`, the formatters that links listen for."""
        senders = steering.senders if steering else ()
        self._senders = {
            sender.address: sender for sender in senders if sender.keyid and sender.address
        }
        self._listened = listened
        self._stations = stations
        self._hang_up = hang_up
        self._fault_log = fault_log
        self._waiting = dict.fromkeys(self._senders, 0)
        self._answers: dict[str, str] = {}

    def take(self, sentences: Iterable[Sentence], deliver: Deliver) -> None:
        """Deliver sentences that need no proof at once, and the rest once hostapd has answered."""
        if not self._senders:
            deliver(list(sentences))
            return
        ready: list[Sentence] = []
        held: dict[str, list[Sentence]] = {}
        for sentence in sentences:
            if sentence.sender in self._senders and self._matters(sentence):
                held.setdefault(sentence.sender, []).append(sentence)
            else:
                ready.append(sentence)
        if ready:
            deliver(ready)
        for address, theirs in held.items():
            self._hold(address, theirs, deliver)

    def _matters(self, sentence: Sentence) -> bool:
        return sentence.formatter in self._listened or steers(sentence.talker, sentence.formatter)

    def _hold(self, address: str, held: list[Sentence], deliver: Deliver) -> None:
        sender = self._senders[address]
        room = MAX_WAITING - self._waiting[address]
        if len(held) > room:
            # Without proof, so that they are counted as refused.
            deliver(held[max(room, 0) :])
            held = held[: max(room, 0)]
        if not held:
            return
        self._waiting[address] += len(held)

        def answered(answer: Answer) -> None:
            self._waiting[address] -= len(held)
            deliver([self._judged(sentence, sender, answer) for sentence in held])
            # A connection older than its station may belong to another device: it must start again.
            if _is_own(sender, answer):
                self._hang_up(address, answer.since)

        assert sender.mac is not None
        self._stations.ask(sender.mac, answered)

    def _judged(self, sentence: Sentence, sender: models.SenderOptions, answer: Answer) -> Sentence:
        reason = describe_answer(sender, answer)
        if _is_own(sender, answer):
            if sentence.connected >= answer.since:
                self._fault_log.cleared("steering", f"unproven {sender.name}")
                return sentence._replace(keyid=sender.keyid or "")
            reason = "its connection began before it joined; it has to connect again"
        self._fault_log.warn(
            "steering",
            f"unproven {sender.name}",
            f"{sentence.formatter} from {sender.name} does not steer: {reason}",
        )
        return sentence

    def watch(self) -> None:
        """Ask about every tablet, for the state. Call it every few seconds."""
        for sender in self._senders.values():
            assert sender.mac is not None
            self._stations.ask(sender.mac, partial(self._note, sender))

    def _note(self, sender: models.SenderOptions, answer: Answer) -> None:
        self._answers[sender.name] = describe_answer(sender, answer)

    def close(self) -> None:
        """Close the connection."""
        self._stations.close()

    def as_json(self) -> dict[str, Any]:
        """Return what hostapd reports of each tablet with its own pass-phrase, for the state."""
        return dict(self._answers)


def _is_own(sender: models.SenderOptions, answer: Answer) -> bool:
    return not answer.error and answer.joined and answer.keyid == sender.keyid


def describe_answer(sender: models.SenderOptions, answer: Answer) -> str:
    """Describe what hostapd reports of a tablet."""
    if answer.error:
        return f"not known: {answer.error}"
    if not answer.joined:
        return "not joined"
    if _is_own(sender, answer):
        return "joined by its own pass-phrase"
    return "joined by another pass-phrase than its own"
