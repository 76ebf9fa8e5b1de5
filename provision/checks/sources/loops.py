# SPDX-License-Identifier: GPL-3.0-or-later
"""Find circles in which a sentence may go round: devices that are sent what they talk as well.

The profile does not say whether a device passes on what it hears. A device that talks a sentence
and is sent the same sentence may do so. Devices on the network count as far as the profile names
them: inputs, which may read the feed, too, and tablets that steer.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cached_property, partial
from itertools import islice

from provision.checks.finding import Finding
from provision.checks.links.passing import may_pass, sources_of, taken_rates
from provision.onboard.feed.nmea0183.kinds import KIND_OF
from provision.onboard.feed.nmea0183.sentence import steers
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile
from provision.profile.schema.links import FilterConfig, InputConfig, LinkConfig

#: Devices that are compared for one sentence: more than any board has sockets for.
MAX_DEVICES = 64

#: Sentences and devices that a message lists.
MAX_LISTED = 6


class _Ways:
    """Tell which sentences get from which device to which through the feed."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self._sources = sources_of(profile)

    @cached_property
    def talkers(self) -> Mapping[str, Sequence[str]]:
        """Return by formatter the devices whose sentences are taken: links, inputs, tablets."""
        found: dict[str, list[str]] = defaultdict(list)
        for name, source in self._sources.items():
            for formatter in taken_rates(source):
                found[formatter].append(name)
        if steering := self._profile.steering:
            for name in steering.senders:
                if name not in self._sources:
                    for formatter in steering.sentences:
                        found[formatter].append(name)
        return found

    def leads(self, formatter: str, origin: str, target: str) -> bool:
        """Tell if a sentence of `origin` may get to `target`."""
        receiver = self._sources.get(target)
        if isinstance(receiver, LinkConfig):
            return self._to_link(formatter, origin, target, receiver)
        if origin not in self._profile.links:
            # Only clients of TCP get what comes from the network.
            return False
        if isinstance(receiver, InputConfig):
            return bool(self.outputs(formatter, origin, receiver))
        return target not in self._sources and self._gives("tcp", formatter, origin)

    def _to_link(self, formatter: str, origin: str, target: str, link: LinkConfig) -> bool:
        if (
            origin == target
            or formatter not in link.listens
            or link.adapter.receives_only
            or not may_pass(link.gives, formatter, origin)
        ):
            return False
        steering, source = self._profile.steering, self._sources.get(origin)
        if steers("P" if len(formatter) > 3 else "", formatter):
            if steering and steering.link == target:
                return formatter in steering.sentences and origin in steering.senders
            return isinstance(source, LinkConfig)
        if isinstance(source, InputConfig):
            return origin in (link.listens_to or ()) and formatter in source.talks
        return source is not None

    def outputs(self, formatter: str, origin: str, receiver: InputConfig) -> list[str]:
        """Return the outputs by which the device behind an input may get a link's sentence."""
        feed = self._profile.feed
        ways = ["tcp"]
        if isinstance(feed.udp, int):
            ways.append("udp")
        elif receiver.tcp:
            ways += self.hosts.get(receiver.tcp.partition(":")[0], [])
        if feed.multicast:
            ways.append("multicast")
        return [way for way in ways if self._gives(way, formatter, origin)]

    @cached_property
    def hosts(self) -> Mapping[str, list[str]]:
        """Return the hosts of `udp` by address."""
        found: dict[str, list[str]] = defaultdict(list)
        udp = self._profile.feed.udp
        for host in udp if isinstance(udp, list) else ():
            found[host.partition(":")[0]].append(host)
        return found

    def _gives(self, output: str, formatter: str, origin: str) -> bool:
        gives = self._profile.feed.gives
        return may_pass(
            gives.get(output) or (":" in output and gives.get("udp")) or None, formatter, origin
        )

    def prefers(self, formatter: str, first: str, second: str) -> bool:
        """Tell if `second` is believed only while `first` is silent."""
        ranks = self._ranks.get(KIND_OF.get(formatter, ""), {})
        return first in ranks and ranks[first] < ranks.get(second, len(ranks))

    @cached_property
    def _ranks(self) -> Mapping[str, Mapping[str, int]]:
        """Return by kind of data the number of each source in its order."""
        prefer = self._profile.feed.prefer
        return {
            kind: {name: number for number, name in enumerate(order)}
            for kind, order in (prefer.sources_by_kind if prefer else {}).items()
        }


def check(boat: Boat) -> Iterator[Finding]:
    """Warn of each circle, by its members, and of each input that may bring back what goes out."""
    ways = _Ways(boat.profile)
    circles: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for formatter, talkers in ways.talkers.items():
        for circle in find_circles(talkers[:MAX_DEVICES], partial(ways.leads, formatter)):
            circles[circle].append(formatter)
    known = defaultdict(set)
    for circle, formatters in circles.items():
        yield _circle(boat, circle, formatters)
        for name in circle:
            known[name].update(formatters)
    for name, source in boat.profile.inputs.items():
        found = _brought_back(ways, boat.profile, name, source)
        back = {one: links for one, links in found.items() if one not in known[name]}
        if back:
            yield _return(boat, ways, name, back)


def find_circles(
    devices: Sequence[str], leads: Callable[[str, str], bool]
) -> Iterator[tuple[str, ...]]:
    """Yield the shortest circle through each device, each circle once, its first device first.

    >>> list(find_circles("abc", lambda one, two: one + two in ("ab", "bc", "ca", "ac")))
    [('a', 'b', 'c'), ('a', 'c')]
    """
    found = set()
    for start in devices:
        circle = _shortest(start, devices, leads)
        if circle:
            first = circle.index(min(circle, key=devices.index))
            circle = (*circle[first:], *circle[:first])
            if circle not in found:
                found.add(circle)
                yield circle


def _shortest(
    start: str, devices: Sequence[str], leads: Callable[[str, str], bool]
) -> tuple[str, ...]:
    """Return the shortest circle through `start`, or nothing."""
    paths: list[tuple[str, ...]] = [(start,)]
    reached = {start}
    for path in paths:
        if len(path) > 1 and leads(path[-1], start):
            return path
        for device in devices:
            if device not in reached and leads(path[-1], device):
                reached.add(device)
                paths.append((*path, device))
    return ()


def _circle(boat: Boat, circle: tuple[str, ...], formatters: list[str]) -> Finding:
    listed, name = _list(formatters), f"loop.{'.'.join(circle)}"
    key, change = _break(boat.profile, circle, formatters)
    return Finding(
        "warning",
        name,
        f"{listed} may go round in a circle: {' -> '.join((*circle, circle[0]))}; each of them "
        f"is sent {listed} and talks it as well",
        boat.location(key),
        f"{change}; if a device says only what it measures itself, write that under accepted, as "
        f"{name}: REASON",
    )


def _break(profile: Profile, circle: tuple[str, ...], formatters: list[str]) -> tuple[str, str]:
    """Return the key that breaks a circle, and what to write there."""
    for origin, target in zip(circle, (*circle[1:], circle[0]), strict=True):
        if target in profile.serial_links and (origin in profile.links or origin in profile.inputs):
            patterns = ", ".join(f"{{formatter: {f}, link: {origin}}}" for f in formatters)
            key = f"links.{target}.gives"
            return key, _stop(key, patterns, profile.serial_links[target].gives)
    # A tablet reads what the pilot says.
    link = next(name for name in circle if name in profile.links)
    patterns = ", ".join(f"{{formatter: {f}, link: {link}}}" for f in formatters)
    return "steering", _stop("feed.gives.tcp", patterns, profile.feed.gives.get("tcp"))


def _stop(key: str, patterns: str, passes: FilterConfig | None) -> str:
    """Say how a filter stops patterns. One that is there keeps what it has."""
    if passes is None:
        return f"write {key}: {{but: [{patterns}]}}"
    return f"add to {key}.but: [{patterns}]"


def _brought_back(
    ways: _Ways, profile: Profile, name: str, source: InputConfig
) -> dict[str, list[str]]:
    """Return by formatter the links whose sentences an input may bring back."""
    found = {}
    rates = taken_rates(source)
    if not source.talks and _is_sent_to(ways, profile, source):
        # It may talk anything.
        rates = {
            one: 1.0 for one in islice(ways.talkers, MAX_DEVICES) if may_pass(source.takes, one)
        }
    for formatter in rates:
        links = [one for one in ways.talkers[formatter][:MAX_DEVICES] if one in profile.links]
        if any(ways.prefers(formatter, link, name) for link in links):
            continue
        sent = [link for link in links if ways.outputs(formatter, link, source)]
        if sent:
            found[formatter] = sent
    return found


def _is_sent_to(ways: _Ways, profile: Profile, source: InputConfig) -> bool:
    """Tell if the feed also sends where an input comes from: to its address or its UDP port."""
    if source.tcp:
        return source.tcp.partition(":")[0] in ways.hosts
    return source.udp is not None and source.udp == profile.feed.udp


def _return(boat: Boat, ways: _Ways, name: str, back: dict[str, list[str]]) -> Finding:
    source = boat.profile.inputs[name]
    links = list(dict.fromkeys(link for found in back.values() for link in found))
    outputs = dict.fromkeys(
        output
        for formatter, found in back.items()
        for output in ways.outputs(formatter, found[0], source)
    )
    listed, origins = _list(list(back)), _list(links)
    talks = f"it talks {listed}" if source.talks else "it may talk anything"
    change = _stop(f"inputs.{name}.takes", ", ".join(back), source.takes)
    # AIS reports, for one, have no order of preference.
    ordered = all(formatter in KIND_OF for formatter in back)
    own = f"put {origins} before it under feed.prefer, or write that" if ordered else "write that"
    return Finding(
        "warning",
        f"loop.{name}",
        f"{name} may bring back {listed} of {origins}: feed -> {_list(list(outputs), 'or')} -> "
        f"{name} -> feed; {talks}, and may read what the feed sends",
        boat.location(f"inputs.{name}.takes"),
        f"if {name} passes on what it hears, {change}; if it has instruments of its own, {own} "
        f"under accepted, as loop.{name}: REASON",
    )


def _list(names: list[str], word: str = "and") -> str:
    if len(names) > MAX_LISTED:
        return f"{', '.join(names[:MAX_LISTED])} {word} {len(names) - MAX_LISTED} more"
    return f" {word} ".join(filter(None, (", ".join(names[:-1]), names[-1])))
