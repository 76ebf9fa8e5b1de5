# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the boat's TCP feed as a tablet does, until every expected sentence has come.

The suite sends this text to the boat, where Debian's Python runs it. Its one argument is
JSON: `state`, the socket of the feed's state; `host` and `port` of the feed; `seconds`, the time
that the last sentence gets; `rates_over`, the seconds over which the rates of what is heard have
to be counted, and `settle`, the seconds that this may take; `patience`, by link and input, the
seconds that each gets to be heard; `links`, by name, each a mapping from the formatters that its
instrument sends and the profile lets through to the kind of data that is preferred from one
source, or null.

It prints JSON: `first` and `state`, what the feed reports of itself at first and once all was
heard that is heard, or null; `expected`, by link, the formatters that a client must get; `lines`,
what a client got, whole lines only; `error`, why there is no state or no connection; `seconds`,
how long it listened.
"""

from __future__ import annotations

import json
import socket
import sys
import time
from typing import Any

#: Characters of the feed that are kept at most.
MAX_CHARS = 1_000_000
PAUSE_S = 0.5

#: Seconds that the feed may take to report its state.
STATE_TIMEOUT_S = 10.0


def read_state(path: str) -> dict[str, Any]:
    """Ask the feed for its state. OSError or ValueError when it does not answer.

    Asked over its socket, since each start of `boat-feed --state` would take the boat's processor
    from the other questions of the suite.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as channel:
        channel.settimeout(STATE_TIMEOUT_S)
        channel.connect(path)
        pieces = []
        while piece := channel.recv(65536):
            pieces.append(piece)
    state = json.loads(b"".join(pieces))
    if not isinstance(state, dict):
        raise ValueError("the feed reports no state")
    return state


def source(state: dict[str, Any], name: str) -> dict[str, Any]:
    """Return what the feed reports of a link or input, empty when it knows none of that name."""
    found: dict[str, Any] = state["links"].get(name) or state.get("inputs", {}).get(name) or {}
    return found


def is_heard(first: dict[str, Any], state: dict[str, Any], name: str) -> bool:
    """Report whether a sentence has come since the first state; a feed that was restarted counts
    from nothing again."""
    before, now = (source(which, name).get("sentences", 0) for which in (first, state))
    return bool(now > before if now >= before else now)


def has_rates(state: dict[str, Any], name: str, rates_over: float) -> bool:
    """Report whether the rates of a link or input have been counted for long enough."""
    return bool(source(state, name).get("rates_over", rates_over) >= rates_over)


def first_state(path: str, settle: float) -> dict[str, Any]:
    """Read the state of a feed that may still be starting."""
    deadline = time.monotonic() + settle
    while True:
        try:
            return read_state(path)
        except (OSError, ValueError):
            if time.monotonic() > deadline:
                raise
        time.sleep(PAUSE_S)


def settled_state(job: dict[str, Any], first: dict[str, Any]) -> dict[str, Any]:
    """Wait until each source is heard and its rates can be told, or its time is over."""
    began = time.monotonic()
    while True:
        state = read_state(job["state"])
        waited = time.monotonic() - began
        if not any(
            waited < patience
            if not is_heard(first, state, name)
            else waited < job["settle"] and not has_rates(state, name, job["rates_over"])
            for name, patience in job["patience"].items()
        ):
            return state
        time.sleep(PAUSE_S)


def expected_sentences(job: dict[str, Any], state: dict[str, Any]) -> dict[str, list[str]]:
    """Name by link what a client must get: what is heard, and not kept back for another source."""
    believed = state["believed"]
    return {
        link: sorted(
            formatter
            for formatter, kind in formatters.items()
            if source(state, link).get("rates", {}).get(formatter)
            and believed.get(kind, {}).get("source") in (None, link)
        )
        for link, formatters in job["links"].items()
    }


def formatter_of(line: str) -> str:
    """Return the formatter in a sentence's address field; the suite judges the line itself."""
    address = line[1:].split(",", maxsplit=1)[0]
    return address if address.startswith("P") else address[2:]


def listen(job: dict[str, Any], expected: set[str]) -> tuple[list[str], str]:
    """Collect lines until nothing is missing or the time is over; the lines, and what failed."""
    deadline = time.monotonic() + job["seconds"]
    missing, lines, rest, size, error = set(expected), [], "", 0, ""
    try:
        with socket.create_connection((job["host"], job["port"]), job["seconds"]) as client:
            while missing and size < MAX_CHARS:
                client.settimeout(max(0.01, deadline - time.monotonic()))
                piece = client.recv(65536).decode("latin-1")
                if not piece:
                    error = "the feed closed the connection"
                    break
                size += len(piece)
                *whole, rest = (rest + piece).split("\r\n")
                lines += whole
                missing -= {formatter_of(line) for line in whole}
    except TimeoutError:
        error = "" if lines else "no connection or no sentence in time"
    except OSError as failure:
        error = f"cannot connect: {failure}"
    return lines, error


def main() -> None:
    """Do what the argument says, and print the result."""
    job = json.loads(sys.argv[1])
    result: dict[str, Any] = {"first": None, "state": None, "expected": {}, "lines": []}
    result["error"] = ""
    began = time.monotonic()
    try:
        result["first"] = first_state(job["state"], job["settle"])
        result["state"] = settled_state(job, result["first"])
        result["expected"] = expected_sentences(job, result["state"])
        wanted = set().union(*result["expected"].values())
        began = time.monotonic()
        result["lines"], result["error"] = listen(job, wanted)
    except (OSError, ValueError) as failure:
        result["error"] = str(failure)
    result["seconds"] = round(time.monotonic() - began, 1)
    print(json.dumps(result))


if __name__ == "__main__":
    main()
