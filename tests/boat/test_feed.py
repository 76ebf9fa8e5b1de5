# SPDX-License-Identifier: GPL-3.0-or-later
"""Every instrument is heard at its rate, and what it says reaches the feed's clients."""

from __future__ import annotations

import json
import math
from functools import reduce
from operator import xor
from typing import Any

import pytest

from provision.onboard.feed.believe import KIND_OF, KINDS
from provision.onboard.feed.sentence import LENGTH, LONG
from provision.push.suite import Answers, Command, Job

#: Part of its rate by which a sentence may be slower or faster, and the sentences that may
#: fall just inside or outside of the time in which they are counted.
TOLERANCE = 0.25
EDGES = 1.5

#: Seconds; over less no rate is told.
LEAST = 4

#: Seconds; a sentence that comes more rarely is not waited for.
LONGEST = 10

#: Characters that CR LF, which ends a sentence, adds to its line.
END = 2


#: Waits until the feed has run for $0 seconds: its rates begin a second or two after it has
#: opened a port, and six more tell a sentence a second from one every other second.
SETTLED = 9
SETTLE = """
started=$(systemctl show --value -p ActiveEnterTimestampMonotonic boat-feed.service)
while [ $(($(cut -d. -f1 /proc/uptime) - started / 1000000)) -lt "$0" ]; do sleep 1; done
"""


def listening_time(profile: dict[str, Any]) -> int:
    """Seconds in which every sentence of the profile comes at least once."""
    rates = [rate for link in profile["links"].values() for rate in link["talks"].values()]
    return min(LONGEST, 2 + math.ceil(1 / min(rates))) if rates else 1


def commands(job: Job) -> dict[str, Command]:
    """What to ask the boat."""
    address, _, _ = job.profile["network"]["address"].partition("/")
    seconds, port = listening_time(job.profile), job.profile["feed"]["tcp"]
    read = ["bash", "-c", 'exec cat <"/dev/tcp/$0/$1"', address, str(port)]
    return {
        "settled": ["sh", "-c", SETTLE, str(SETTLED)],
        "feed": ["timeout", str(seconds), *read],
        "state": ["boat-feed", "--state"],
    }


@pytest.fixture(scope="module")
def state(facts: Answers, needs: Any) -> dict[str, Any]:
    needs("boat-feed.service")
    return json.loads(facts["state"].ok().output)


@pytest.fixture(scope="module")
def states(state: dict[str, Any]) -> dict[str, Any]:
    return state["links"]


def held_back(profile: dict[str, Any], believed: dict[str, Any], link: str, name: str) -> bool:
    """Whether the profile may keep a link's sentence, by formatter, from the feed's clients."""
    source = believed.get(KIND_OF.get(name, ""), {}).get("source")
    if source not in (None, link):
        return True
    filters = (profile["links"][link]["takes"], profile["feed"]["gives"].get("tcp"))
    return any(_may_stop(passes, link, name) for passes in filters if passes)


def _may_stop(passes: dict[str, Any], link: str, name: str) -> bool:
    def fits(pattern: dict[str, Any]) -> bool:
        return pattern["formatter"] in (None, name) and pattern["link"] in (None, link)

    # What is said of one talker alone may or may not be about this instrument.
    surely = [pattern for pattern in passes["only"] or () if not pattern["talker"]]
    barred = passes["only"] is not None and not any(map(fits, surely))
    return barred or any(map(fits, passes["but"]))


def longest(profile: dict[str, Any]) -> int:
    """Characters that a sentence may have in the feed: more than IEC 61162-1 allows it only
    where the profile lets a link or input send such."""
    sources = [*profile["links"].values(), *profile["inputs"].values()]
    return LONG if any(source.get("long") for source in sources) else LENGTH


def formatter(line: str, most: int) -> str | None:
    """The formatter of a whole sentence with a right checksum (IEC 61162-1), or None."""
    body, star, checksum = line[1:].partition("*")
    if line[:1] not in ("$", "!") or not star or len(line) + END > most:
        return None
    if f"{reduce(xor, body.encode(), 0):02X}" != checksum:
        return None
    address = body.split(",")[0]
    return address if address.startswith("P") else address[2:]


def test_link_talks_at_its_rate(link: str, states: dict[str, Any], profile: dict[str, Any]) -> None:
    """Each sentence arrives as often as the profile says; others do not count."""
    assert states[link]["present"], "boat-feed has no adapter open for it"
    over, heard = states[link]["rates_over"], states[link]["rates"]
    wanted = profile["links"][link]["talks"]
    assert over >= LEAST or not wanted, f"its rates of {over} s cannot be told yet; prove it again"
    wrong = {
        name: heard.get(name, 0.0)
        for name, rate in wanted.items()
        if abs(heard.get(name, 0.0) - rate) > TOLERANCE * rate + EDGES / over
    }
    said = ", ".join(f"{name} {rate:.1f} a second" for name, rate in wrong.items())
    assert wrong == {}, f"heard {said}"


def test_can_link_is_heard(can_link: str, states: dict[str, Any], profile: dict[str, Any]) -> None:
    """Each kind of data of an NMEA 2000 network arrives as one sentence or another."""
    assert states[can_link]["present"], "boat-feed cannot open its interface"
    heard = states[can_link]["rates"]
    missing = [
        kind
        for kind in profile["links"][can_link]["talks"]
        if not any(heard.get(formatter) for formatter in KINDS[kind])
    ]
    assert missing == [], f"nothing of {', '.join(missing)} is heard"


def test_feed_carries_every_sentence(
    link: str, facts: Answers, state: dict[str, Any], profile: dict[str, Any]
) -> None:
    """A client of the TCP feed gets each sentence of each link that the profile lets through.

    And nothing that is none; the last line may be cut by our own leaving.
    """
    heard = {name for name, rate in state["links"][link]["rates"].items() if rate}
    believed = state["believed"]
    expected = {
        name
        for name in heard & set(profile["links"][link]["talks"])
        if not held_back(profile, believed, link, name)
    }
    if not expected:
        pytest.skip("nothing of this link is heard, or it is all held back")
    most = longest(profile)
    received = [formatter(line, most) for line in facts["feed"].output.split("\r\n")[:-1]]
    missing = sorted(expected - set(received))
    assert missing == [], f"clients do not get {', '.join(missing)}"
    assert None not in received, "clients get lines that are no sentences"
