# SPDX-License-Identifier: GPL-3.0-or-later
"""Every instrument is heard at its rate, and what it says reaches the feed's clients."""

from __future__ import annotations

import json
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.feed.nmea0183.kinds import KIND_OF
from provision.onboard.feed.nmea0183.sentence import MAX_LONG_SENTENCE_CHARS, MAX_SENTENCE_CHARS
from provision.onboard.feed.nmea2000.pgn import MADE_OF
from provision.verify.job import Answers, Command, Job

#: Part of its rate by which a sentence may be slower or faster, and the sentences that may
#: fall just inside or outside of the time in which they are counted.
TOLERANCE = 0.25
EDGES = 1.5

#: Seconds; over less no rate is told.
LEAST = 4

#: Characters that CR LF, which ends a sentence, adds to its line.
END = 2

#: Waits until the feed has run for $0 seconds: its rates begin a second or two after it has
#: opened a port, and six more tell a sentence a second from one every other second.
SETTLED = 9
SETTLE = """
started=$(systemctl show --value -p ActiveEnterTimestampMonotonic boat-feed.service)
while [ $(($(cut -d. -f1 /proc/uptime) - started / 1000000)) -lt "$0" ]; do sleep 1; done
"""

#: Seconds that the rates of a port that was opened late may take beyond that, and seconds in
#: which every sentence has to reach a client. A boat that is well needs a second or two of
#: either; the rest is for a machine that is busy with other work.
MAX_SETTLE_S, MAX_LISTEN_S = 12, 25

#: Sentences a second; whether clients get a sentence that comes more rarely is not judged.
LEAST_RATE = 0.1

#: The program that listens, aboard.
LISTEN = Path(__file__).with_name("listen.py")


def awaited(profile: dict[str, Any]) -> dict[str, dict[str, str | None]]:
    """What clients may get of each link: the kind of data by formatter, see `listen.py`."""
    return {
        name: {
            formatter: KIND_OF.get(formatter)
            for formatter, rate in link["talks"].items()
            if rate >= LEAST_RATE and not filtered(profile, name, formatter)
        }
        for name, link in profile["links"].items()
        if "adapter" in link
    }


def commands(job: Job) -> dict[str, Command]:
    """What to ask the boat."""
    address, _, _ = job.profile["network"]["address"].partition("/")
    listening = {
        "host": address,
        "port": job.profile["feed"]["tcp"],
        "seconds": MAX_LISTEN_S,
        "rates_over": LEAST,
        "settle": MAX_SETTLE_S,
        "links": awaited(job.profile),
    }
    return {
        "settled": ["sh", "-c", SETTLE, str(SETTLED)],
        "client": ["python3", "-I", "-c", LISTEN.read_text(), json.dumps(listening)],
    }


@pytest.fixture(scope="module")
def client(facts: Answers, needs: Any) -> dict[str, Any]:
    """What a client of the feed got, see `listen.py`."""
    needs("boat-feed.service")
    return json.loads(facts["client"].ok().output)


@pytest.fixture(scope="module")
def state(client: dict[str, Any]) -> dict[str, Any]:
    assert client["state"] is not None, f"boat-feed does not report: {client['error']}"
    return client["state"]


@pytest.fixture(scope="module")
def states(state: dict[str, Any]) -> dict[str, Any]:
    return state["links"]


def filtered(profile: dict[str, Any], link: str, name: str) -> bool:
    """Report whether a filter of the profile may keep a link's sentence from clients."""
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
    return (
        MAX_LONG_SENTENCE_CHARS
        if any(source.get("long") for source in sources)
        else MAX_SENTENCE_CHARS
    )


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
        if not any(heard.get(formatter) for formatter in MADE_OF[kind])
    ]
    assert missing == [], f"nothing of {', '.join(missing)} is heard"


def test_feed_carries_every_sentence(
    link: str, client: dict[str, Any], state: dict[str, Any], profile: dict[str, Any]
) -> None:
    """A client of the TCP feed gets each sentence of each link that the profile lets through.

    And nothing that is none; the last line may be cut by our own leaving.
    """
    expected = client["expected"][link]
    if not expected:
        pytest.skip("nothing of this link is heard, or it is all held back")
    port, lines = profile["feed"]["tcp"], client["lines"]
    assert lines, f"a client gets nothing from port {port}: {client['error'] or 'silence'}"
    most = longest(profile)
    received = [formatter(line, most) for line in lines]
    missing = sorted(set(expected) - set(received))
    why = client["error"] or f"in {client['seconds']:.0f} s"
    assert missing == [], f"clients do not get {', '.join(missing)} ({why})"
    assert None not in received, "clients get lines that are no sentences"
