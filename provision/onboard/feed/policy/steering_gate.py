# SPDX-License-Identifier: GPL-3.0-or-later
"""Let only a named sender steer, and only one at a time.

A tablet that has its own pass-phrase counts only where it is proven to have joined by it.

A sentence that steers reaches a listener only through this gate. Without `steering` in the
profile the network is refused. It is also refused at listeners other than the steered link
(displays). Of the links only those pass whose `talks` names the sentence. The gate never makes
up or repeats a sentence when the controller falls silent.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.net import arp
from provision.onboard.feed.nmea0183.sentence import Sentence, steers
from provision.onboard.feed.report.fault_log import FaultLog, log

#: Seconds of silence after which a controller is no longer the controller.
SENDER_SILENCE_S = 10.0


@dataclass(slots=True)
class _Control:
    """Records the sender that steers one listener, since when, and when it was heard last."""

    sender: str
    since: float
    last: float


class SteeringGate:
    """Lets only the controller's sentences through to the listeners."""

    def __init__(
        self,
        steering: models.SteeringOptions | None,
        links: Mapping[str, models.LinkOptions],
        datagram_inputs: frozenset[str],
        fault_log: FaultLog,
        hardware_address: Callable[[str], str | None] = arp.hardware_address,
    ) -> None:
        """Set the sources. `links` are the serial links by name. `datagram_inputs` are those where
        a sender can forge its address.
        """
        self._steering = steering
        self._datagram_inputs = datagram_inputs
        self._links = links
        self._fault_log = fault_log
        self._hardware_address = hardware_address
        self._silence = steering.silence if steering else SENDER_SILENCE_S
        self._controls: dict[str, _Control] = {}
        self.refused = 0

    def knows(self, sentence: Sentence) -> bool:
        """Report whether a client's sentence steers and is from a sender that the profile names.

        Any other sentence of a client goes nowhere. A refused steering sentence is counted and
        logged.
        """
        if not steers(sentence.talker, sentence.formatter):
            return False
        if self._steering is not None and self._sender(sentence, self._steering.link) is not None:
            return True
        self._refuse(sentence)
        return False

    def admits(self, sentence: Sentence, listener: str) -> bool:
        """Report whether this sentence may go to the link `listener` now.

        The first admitted sender becomes the controller of that link, and stays so until it
        has been silent for a while.
        """
        sender = self._sender(sentence, listener)
        if sender is None:
            self._refuse(sentence)
            return False
        control = self._controls.get(listener)
        if control is not None and control.sender != sender:
            if sentence.heard - control.last < self._silence:
                self.refused += 1
                self._fault_log.warn(
                    "steering",
                    f"second {sender} {listener}",
                    f"{sentence.formatter} from {sender} refused, {control.sender} steers",
                )
                return False
            control = None
        if control is None:
            before = self._controls.get(listener)
            log.info(
                "steering: %s takes over from %s at %s",
                *(sender, before.sender if before else "nobody", listener),
            )
            control = self._controls[listener] = _Control(sender, sentence.heard, sentence.heard)
            self._fault_log.cleared("steering", f"second {sender} {listener}")
        control.last = sentence.heard
        return True

    def _refuse(self, sentence: Sentence) -> None:
        self.refused += 1
        who = sentence.sender or sentence.origin
        self._fault_log.warn(
            "steering", f"refused {who}", f"{sentence.formatter} from {who} refused"
        )

    def watch(self, now: float) -> None:
        """Notice a controller that has fallen silent. Call it every few seconds."""
        for listener, control in list(self._controls.items()):
            if now - control.last >= self._silence:
                log.warning(
                    "steering: %s has fallen silent, nobody steers %s", control.sender, listener
                )
                del self._controls[listener]

    def _sender(self, sentence: Sentence, listener: str) -> str | None:
        """Return the name of the sender if it may steer, else None."""
        if self._steering is None or self._steering.link != listener:
            link = self._links.get(sentence.origin)
            return sentence.origin if link and sentence.formatter in link.talks else None
        if sentence.formatter not in self._steering.sentences:
            return None
        for sender in self._steering.senders:
            if sender.link is not None and sender.link == sentence.origin:
                return sender.name
            if sender.address is None or sender.address != sentence.sender:
                continue
            if sentence.origin in self._datagram_inputs:
                continue
            if sender.keyid is not None and sender.keyid != sentence.keyid:
                continue
            if sender.mac in (None, self._hardware_address(sender.address)):
                return sender.name
        return None

    def as_json(self, now: float) -> dict[str, Any]:
        """Return who steers, for the state: the pilot that the profile names, and each listener."""
        pilot = self._steering.link if self._steering else next(iter(self._controls), "")
        control = self._controls.get(pilot)
        return {
            "controller": control.sender if control else None,
            "since": round(now - control.since, 1) if control else None,
            "last_heard": round(now - control.last, 2) if control else None,
            "controllers": {name: control.sender for name, control in self._controls.items()},
            "refused": self.refused,
        }
