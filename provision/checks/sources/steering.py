# SPDX-License-Identifier: GPL-3.0-or-later
"""Check who may move the rudder."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator

from provision.checks.finding import Finding
from provision.onboard.feed.nmea0183.sentence import STEERS, steers
from provision.onboard.feed.nmea2000.pgn import MADE_OF
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile
from provision.profile.schema.links import LinkConfig

#: Sentences that order a rudder, and that a display has little use for (IEC 61162-1; which of
#: them a pilot follows is common practice).
RUDDER_ORDERS = frozenset({"APA", "APB", "HSC", "HTC", "TRC", "XTE", "XTR"})


def check(boat: Boat) -> Iterator[Finding]:
    """Warn of senders that may steer, of a pilot without a sender, and of a second pilot."""
    yield from _steered(boat)
    yield from _unsteered(boat)
    yield from _second_pilots(boat)
    yield from _open_to_the_network(boat)
    yield from _unfed(boat)


def _steered(boat: Boat) -> Iterator[Finding]:
    """Warn of a boat that others can steer, and of each sender that a guest can imitate."""
    steering = boat.profile.steering
    if steering is None:
        return
    tablets = boat.profile.network.tablets
    senders = [f"{name} over Wi-Fi" if name in tablets else name for name in steering.senders]
    yield Finding(
        "warning",
        "steering",
        f"{steering.link} obeys {', '.join(senders)}: what goes wrong there moves the rudder",
        boat.location("steering"),
        "this is no primary means of navigation: keep a lookout and an independent backup, know "
        "how to disengage the pilot by hand, try it in open water; then write who has seen to it "
        "under accepted, as steering: REASON",
    )
    for number, name in enumerate(steering.senders):
        yield from _unproven(boat, name, f"steering.from[{number}]")


def _unproven(boat: Boat, name: str, key: str) -> Iterator[Finding]:
    """Find a sender that the boat knows only by addresses, which can be copied."""
    profile = boat.profile
    if name in profile.network.tablets and name not in profile.own_pass_phrases:
        yield Finding(
            "warning",
            f"steering-guest.{name}",
            f"any guest who knows the Wi-Fi's pass-phrase can pass for {name} and steer: its "
            "addresses can be copied",
            boat.location(key),
            f"give {name} its own_pass_phrase: true under network.tablets, then run provision "
            f"keys {boat.name}",
        )


def _unsteered(boat: Boat) -> Iterator[Finding]:
    """Warn of links that listen for steering sentences which no sender may send."""
    profile = boat.profile
    talkers = Counter(f for link in profile.serial_links.values() for f in link.talks)
    for name, link in profile.serial_links.items():
        missing = [
            f for f in link.listens if f in STEERS and not _reaches(profile, f, name, talkers)
        ]
        if not missing:
            continue
        named = profile.steering is not None and profile.steering.link == name
        sentences = ", ".join(missing)
        yield Finding(
            "warning",
            f"unsteered.{name}",
            f"{name} listens for {sentences}, and nothing may send that to it",
            boat.location(f"links.{name}.listens"),
            f"add {sentences} to steering.sentences, if its senders may steer by that"
            if named
            else f"say who may steer, such as steering: {{link: {name}, from: [chart-table], "
            f"sentences: [{sentences}]}}; or take {sentences} out of what {name} listens for",
        )


def _reaches(profile: Profile, formatter: str, listener: str, talkers: Counter[str]) -> bool:
    """Tell if a steering sentence may come to the link `listener` from anywhere.

    `talkers` counts the links that talk a formatter.
    """
    steering = profile.steering
    if steering and steering.link == listener:
        return formatter in steering.sentences
    return talkers[formatter] > (formatter in profile.serial_links[listener].talks)


def _open_to_the_network(boat: Boat) -> Iterator[Finding]:
    """Warn of links that are sent data that any device on the network can forge."""
    profile = boat.profile
    for name, link in profile.serial_links.items():
        heard = _instruments(link)
        for number, source in enumerate(link.listens_to or ()):
            passes = [f for f in heard if f in profile.inputs[source].talks]
            if passes:
                yield Finding(
                    "warning",
                    f"open-to-network.{name}.{source}",
                    f"any device on the boat's network can pass for {source}, and {name} gets its "
                    f"{', '.join(passes)}: a pilot follows false headings and winds",
                    boat.location(f"links.{name}.listens_to[{number}]"),
                    f"take {source} out, or write who has seen to it under accepted, as "
                    f"open-to-network.{name}.{source}: REASON",
                )


def _unfed(boat: Boat) -> Iterator[Finding]:
    """Warn of links that listen for what only the network sends, and may not hear it."""
    profile = boat.profile
    talkers = Counter(f for link in profile.serial_links.values() for f in link.talks)
    networks = profile.can_links.values()
    backbone = {f for can in networks for kind in can.talks for f in MADE_OF[kind]}
    network = defaultdict(set)
    for source, by in profile.inputs.items():
        for formatter in by.talks:
            network[formatter].add(source)
    for name, link in profile.serial_links.items():
        alone = [
            f
            for f in _instruments(link)
            if f in network and f not in backbone and talkers[f] == (f in link.talks)
        ]
        near = {source for f in alone for source in network[f]} - {*(link.listens_to or ())}
        for source, by in profile.inputs.items() if near else ():
            missed = [f for f in alone if f in by.talks] if source in near else []
            if missed:
                yield Finding(
                    "warning",
                    f"unfed.{name}.{source}",
                    f"{name} listens for {', '.join(missed)}, which {source} alone talks, and "
                    "nothing from the network is sent to it",
                    boat.location(f"links.{name}.listens"),
                    f"add listens_to: [{source}] to {name} if it may hear any device that passes "
                    f"for {source}; or take {', '.join(missed)} out of what it listens for",
                )


def _instruments(link: LinkConfig) -> list[str]:
    """Return the sentences that a link listens for and that do not steer."""
    return [f for f in link.listens if not steers("P" if len(f) > 3 else "", f)]


def _second_pilots(boat: Boat) -> Iterator[Finding]:
    """Warn of links that listen for the same rudder orders as an earlier link."""
    seen: dict[str, str] = {}
    for name, link in boat.profile.serial_links.items():
        shared = [formatter for formatter in link.listens if formatter in seen]
        if shared:
            first = seen[shared[0]]
            yield Finding(
                "warning",
                f"two-pilots.{name}",
                f"{name} and {first} both listen for {', '.join(shared)}: two pilots would turn "
                "one rudder",
                boat.location(f"links.{name}.listens"),
                f"let one of them listen for it; if {name} only shows it, write that under "
                f"accepted, as two-pilots.{name}: REASON",
            )
        for formatter in RUDDER_ORDERS & link.listens.keys():
            seen.setdefault(formatter, name)
