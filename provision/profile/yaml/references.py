# SPDX-License-Identifier: GPL-3.0-or-later
"""Find names in a profile that refer to a part that is missing or of another kind."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice

from provision.errors import Location, UserError
from provision.onboard.feed.nmea0183.sentence import STEERS, steers
from provision.profile.schema.boat import Profile
from provision.profile.schema.feed import DATED_FORMATTERS
from provision.profile.schema.links import FilterConfig, LinkConfig
from provision.profile.yaml.errors import nearest
from provision.profile.yaml.tree import MAX_ERRORS

LocationOf = Callable[[str], Location]


def find_broken(profile: Profile, location: LocationOf) -> list[UserError]:
    """Return an error for each name that refers to nothing, or to the wrong kind of part.

    `location` tells where a key of the profile stands. The list has at most one error more than
    `MAX_ERRORS`.
    """
    found = (
        error
        for part in (_names, _filters, _listens_to, _prefer, _steering, _clock)
        for error in part(profile, location)
    )
    return list(islice(found, MAX_ERRORS + 1))


def _unknown(name: str, what: str, known: Iterable[str], location: Location) -> UserError:
    names = list(dict.fromkeys(known))
    near = nearest(name, names)
    there = ", ".join(names) or "none"
    hint = f"did you mean {near}?" if near else f"known here: {there}"
    return UserError(f"there is no {what} {name}", location=location, hint=hint)


def _names(profile: Profile, location: LocationOf) -> Iterator[UserError]:
    for name in profile.inputs:
        if name in profile.links:
            yield UserError(
                f"{name} is the name of a link already",
                location=location(f"inputs.{name}"),
                hint="call the input something else",
            )


def _filters(profile: Profile, location: LocationOf) -> Iterator[UserError]:
    sources = {**profile.links, **profile.inputs}
    taking = [(f"links.{name}", link.takes) for name, link in profile.links.items()]
    taking += [(f"inputs.{name}", source.takes) for name, source in profile.inputs.items()]
    for key, filter_ in taking:
        for at, _ in _linked(f"{key}.takes", filter_):
            yield UserError(
                "all that is taken here comes from one link",
                location=location(at),
                hint="name a talker or a formatter; `gives` can tell links apart",
            )
    giving = [(f"links.{n}.gives", link.gives) for n, link in profile.serial_links.items()]
    giving += [(f"feed.gives.{output}", passes) for output, passes in profile.feed.gives.items()]
    for key, filter_ in giving:
        for at, link in _linked(key, filter_):
            if link not in sources:
                yield _unknown(link, "link or input", sources, location(at))
    outputs = {"tcp": True, "udp": bool(profile.feed.udp)}
    if isinstance(profile.feed.udp, list):
        outputs |= dict.fromkeys(profile.feed.udp, True)
    outputs["multicast"] = profile.feed.multicast
    for output in profile.feed.gives:
        if not outputs.get(output):
            there = [name for name, used in outputs.items() if used]
            yield _unknown(output, "output", there, location(f"feed.gives.{output}"))


def _linked(key: str, filter_: FilterConfig | None) -> Iterator[tuple[str, str]]:
    """Yield the key of each pattern that names a link, and the link."""
    lists = {"only": filter_.only or [], "but": filter_.but} if filter_ else {}
    for way, patterns in lists.items():
        for number, pattern in enumerate(patterns):
            if pattern.link:
                yield f"{key}.{way}[{number}].link", pattern.link


def _listens_to(profile: Profile, location: LocationOf) -> Iterator[UserError]:
    for name, link in profile.serial_links.items():
        wanted = [f for f in link.listens if not steers("P" if len(f) > 3 else "", f)]
        heard = set(wanted)
        for number, source in enumerate(link.listens_to or ()):
            at = location(f"links.{name}.listens_to[{number}]")
            if source not in profile.inputs:
                yield _unknown(source, "input", profile.inputs, at)
                continue
            if heard.isdisjoint(profile.inputs[source].talks):
                yield UserError(
                    f"{source} talks nothing that {name} may hear from it",
                    location=at,
                    hint=f"name what it sends under inputs.{source}.talks, such as "
                    f"[{', '.join(wanted) or 'MWV'}]; who may steer stands under steering",
                )


def _prefer(profile: Profile, location: LocationOf) -> Iterator[UserError]:
    sources = {**profile.links, **profile.inputs}
    for kind, order in profile.feed.prefer.sources_by_kind.items() if profile.feed.prefer else ():
        for number, name in enumerate(order):
            if name not in sources:
                at = location(f"feed.prefer.{kind}[{number}]")
                yield _unknown(name, "link or input", sources, at)


def _serial(profile: Profile, name: str, location: Location) -> LinkConfig | UserError:
    links = profile.serial_links
    if name in links:
        return links[name]
    if name in profile.can_links:
        return UserError(
            f"{name} is an NMEA 2000 network, not a serial link",
            location=location,
            hint=f"the serial links are {', '.join(links) or 'none'}",
        )
    return _unknown(name, "link", links, location)


def _steering(profile: Profile, location: LocationOf) -> Iterator[UserError]:
    steering = profile.steering
    if steering is None:
        return
    pilot = _serial(profile, steering.link, location("steering.link"))
    if isinstance(pilot, UserError):
        yield pilot
    for number, name in enumerate(steering.sentences):
        at = location(f"steering.sentences[{number}]")
        # Three letters that begin with P are a formatter like any other.
        if not steers("P" if len(name) > 3 else "", name):
            yield UserError(
                f"{name} does not steer",
                location=at,
                hint=f"those that do are {', '.join(sorted(STEERS))} and proprietary ones",
            )
        elif isinstance(pilot, LinkConfig) and name not in pilot.listens:
            yield UserError(
                f"{steering.link} does not listen for {name}",
                location=at,
                hint=f"add {name} to links.{steering.link}.listens, or take it out here",
            )
    for number, name in enumerate(steering.senders):
        yield from _sender(profile, name, location(f"steering.from[{number}]"))


def _sender(profile: Profile, name: str, at: Location) -> Iterator[UserError]:
    assert profile.steering is not None
    tablets = profile.network.tablets
    if name in tablets and name in profile.links:
        yield UserError(
            f"{name} is both a tablet and a link", location=at, hint="give one of them another name"
        )
    elif name in profile.inputs:
        yield UserError(
            f"{name} is an input, and any device that takes its address could steer",
            location=at,
            hint="name the device under network.tablets, by its hardware address",
        )
    elif name == profile.steering.link:
        yield UserError(
            f"{name} would steer itself", location=at, hint="name who sends to it, not the link"
        )
    elif name not in tablets:
        if name not in profile.links:
            yield _unknown(name, "tablet or link", [*tablets, *profile.serial_links], at)
            return
        sender = _serial(profile, name, at)
        if isinstance(sender, UserError):
            yield sender
        elif not set(profile.steering.sentences) & set(sender.talks):
            yield UserError(
                f"{name} talks none of the sentences that steer",
                location=at,
                hint=f"add what it sends to links.{name}.talks, or take it out here",
            )


def _clock(profile: Profile, location: LocationOf) -> Iterator[UserError]:
    for number, name in enumerate(profile.clock.sources if profile.clock else ()):
        at = location(f"clock.from[{number}]")
        link = _serial(profile, name, at)
        if isinstance(link, UserError):
            yield link
        elif not set(DATED_FORMATTERS) & set(link.talks):
            yield UserError(
                f"{name} does not tell the date",
                location=at,
                hint=f"name a link that talks {' or '.join(DATED_FORMATTERS)}",
            )
