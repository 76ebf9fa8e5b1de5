# SPDX-License-Identifier: GPL-3.0-or-later
"""Hear every instrument as before the change, and get from the feed what each one sends.

No rate fails a proof: instruments are off at the dock, and rates wander.
"""

from __future__ import annotations

import json
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.feed.config.models import STATE_SOCKET
from provision.onboard.feed.nmea0183.kinds import KIND_OF
from provision.onboard.feed.nmea0183.sentence import MAX_LONG_SENTENCE_CHARS, MAX_SENTENCE_CHARS
from provision.onboard.feed.nmea2000.pgn import MADE_OF
from provision.verify.fix import has_fix, note_on_fix
from provision.verify.heard import (
    Verdict,
    explain_garbled,
    input_state,
    judge,
    patience,
    speaks_rarely,
    state_after,
    states_before,
)
from provision.verify.job import Answers, Command, Conclude, Job

#: Part of its rate by which a sentence may be slower or faster without a note, and the sentences
#: that may fall just inside or outside of the time in which they are counted.
TOLERANCE = 0.25
EDGES = 1.5

#: Seconds of listening, below which no rate is calculated.
MIN_RATE_SECONDS = 4

#: Characters that CR LF, which ends a sentence, adds to its line.
END = 2

#: Seconds that the rates of a port that was opened late may take, and seconds in which every
#: sentence has to reach a client. A boat that is well needs a second or two of either; the rest
#: is for a machine that is busy with other work.
MAX_SETTLE_S, MAX_LISTEN_S = 20, 25

#: Sentences a second; whether clients get a sentence that comes more rarely is not judged.
LEAST_RATE = 0.1

#: The program that listens, aboard.
LISTEN = Path(__file__).with_name("listen.py")


def awaited(profile: dict[str, Any]) -> dict[str, dict[str, str | None]]:
    """Return what clients may get of each link: the kind of data by formatter, see `listen.py`."""
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
    """Return what to ask the boat."""
    address, _, _ = job.profile["network"]["address"].partition("/")
    listening = {
        "state": STATE_SOCKET,
        "host": address,
        "port": job.profile["feed"]["tcp"],
        "seconds": MAX_LISTEN_S,
        "rates_over": MIN_RATE_SECONDS,
        "settle": MAX_SETTLE_S,
        "links": awaited(job.profile),
        "patience": {
            name: patience(job.feed_before, name)
            for name in (*job.profile["links"], *job.profile["inputs"])
        },
    }
    return {
        "client": ["python3", "-I", "-c", LISTEN.read_text(), json.dumps(listening)],
    }


@pytest.fixture(scope="module")
def client(facts: Answers, needs: Any) -> dict[str, Any]:
    """Give what a client of the feed got, see `listen.py`."""
    needs("boat-feed.service")
    return json.loads(facts["client"].ok().output)


@pytest.fixture(scope="module")
def state(client: dict[str, Any]) -> dict[str, Any]:
    assert client["state"] is not None, f"boat-feed does not report: {client['error']}"
    return client["state"]


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
    """Return the formatter of a whole sentence with a right checksum (IEC 61162-1), or None."""
    body, star, checksum = line[1:].partition("*")
    if line[:1] not in ("$", "!") or not star or len(line) + END > most:
        return None
    if f"{reduce(xor, body.encode(), 0):02X}" != checksum:
        return None
    address = body.split(",")[0]
    return address if address.startswith("P") else address[2:]


def judged(client: dict[str, Any], job: Job, on_trial: bool, name: str) -> Verdict:
    """Judge a link or input by what was heard of it before the change, if that is known."""
    first, state = (
        {**client[when]["links"], **client[when]["inputs"]} for when in ("first", "state")
    )
    before = states_before(job.feed_before).get(name) if job.feed_before else None
    rare = bool(job.feed_before) and speaks_rarely(job.feed_before or {}, name)
    after = state_after(first.get(name), state.get(name, {"present": False}))
    if name in job.profile["inputs"]:
        after = input_state(after)
    verdict = judge(before, after, on_trial=on_trial, rare=rare)
    if (before, after) == ("heard", "garbled") and (right := right_baud(job, name)):
        return Verdict(verdict.ending, right)
    return verdict


def right_baud(job: Job, name: str) -> str:
    """Say which baud rate a link was heard at before the change, where that is another."""
    source = (job.feed_before or {}).get("links", {}).get(name, {})
    link = job.profile["links"].get(name, {})
    return explain_garbled(source.get("baud"), link["baud"]) if "baud" in link else ""


def fix_note(job: Job, name: str, source: dict[str, Any]) -> str:
    """Compare a source's fix with the one that it had before the change, if that is known."""
    feed = job.feed_before or {}
    before = {**feed.get("links", {}), **feed.get("inputs", {})}.get(name, {})
    return note_on_fix(has_fix(before), has_fix(source))


def rate_notes(source: dict[str, Any], wanted: dict[str, float]) -> str:
    """Name the sentences that come more or less often than the profile says, or ""."""
    over, heard = source["rates_over"], source["rates"]
    if over < MIN_RATE_SECONDS:
        return ""
    wrong = {
        name: heard.get(name, 0.0)
        for name, rate in wanted.items()
        if abs(heard.get(name, 0.0) - rate) > TOLERANCE * rate + EDGES / over
    }
    shown = [f"{name} {rate:.1f} a second, not {wanted[name]:g}" for name, rate in wrong.items()]
    return f"heard {', '.join(shown)}" if shown else ""


@pytest.mark.usefixtures("state")
def test_link_is_heard(
    link: str, client: dict[str, Any], job: Job, on_trial: bool, conclude: Conclude
) -> None:
    """The instrument's sentences come as they did before; other rates are a note."""
    verdict = judged(client, job, on_trial, link)
    talks = job.profile["links"][link]["talks"]
    source = client["state"]["links"].get(link, {})
    notes = rate_notes(source, talks), fix_note(job, link, source)
    conclude(verdict, ", ".join(filter(None, notes)) if verdict.ending == "passed" else "")


@pytest.mark.usefixtures("state")
def test_can_link_is_heard(
    can_link: str, client: dict[str, Any], job: Job, on_trial: bool, conclude: Conclude
) -> None:
    """Something of the NMEA 2000 network is heard; a kind of data that is missing is a note."""
    verdict = judged(client, job, on_trial, can_link)
    heard = client["state"]["links"].get(can_link, {}).get("rates", {})
    talks = job.profile["links"][can_link]["talks"]
    missing = [kind for kind in talks if not any(heard.get(name) for name in MADE_OF[kind])]
    source = client["state"]["links"].get(can_link, {})
    notes = (
        f"nothing of {', '.join(missing)} is heard" if missing else "",
        fix_note(job, can_link, source),
    )
    conclude(verdict, ", ".join(filter(None, notes)) if verdict.ending == "passed" else "")


@pytest.mark.usefixtures("state")
def test_network_input_is_heard(
    network_input: str, client: dict[str, Any], job: Job, on_trial: bool, conclude: Conclude
) -> None:
    """The sentences of a source on the network come as they did before."""
    verdict = judged(client, job, on_trial, network_input)
    source = client["state"]["inputs"].get(network_input, {})
    conclude(verdict, fix_note(job, network_input, source) if verdict.ending == "passed" else "")


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
