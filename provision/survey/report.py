# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw from a finished search what the operator and scripts are told of a port."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from provision.onboard.feed.nmea0183.sentence import MAX_SENTENCE_CHARS
from provision.survey.adapters import Adapter
from provision.survey.likely import BINARY, likely
from provision.survey.search import MIN_TALK_BYTES, Search, address

#: Gaps of less than a share of the long gaps are inside a group, such as the parts of GSV. Which
#: gaps are long, of all in their order: some of the longest are of a sentence that was lost.
GROUP_SHARE, LONG_GAPS_FROM = 0.3, 0.85

#: The share of bytes in valid sentences below which a line is called garbled.
MIN_VALID_SHARE = 0.75

#: Lines without a valid checksum from which on they are told of.
MIN_BARE_LINES = 3


@dataclass(frozen=True)
class Rate:
    """Hold how often a sentence comes a second: on average, and between its extremes."""

    mean: float
    least: float
    most: float

    def __str__(self) -> str:
        if self.most - self.least < 0.15 * self.mean:
            return f"{self.mean:.2g}/s"
        return f"{self.mean:.2g}/s ({self.least:.2g} to {self.most:.2g})"


def rate(times: Sequence[float]) -> Rate | None:
    """Return the rate of sentences that were heard at `times`, in seconds. None for a single time.

    >>> rate([0.0, 1.0, 2.0]), rate([0.0])
    (Rate(mean=1.0, least=1.0, most=1.0), None)
    """
    gaps = [after - before for before, after in pairwise(times)]
    if not gaps or max(gaps) <= 0:
        return None
    long = sorted(gaps)[int(len(gaps) * LONG_GAPS_FROM)]
    starts = [0, *(n + 1 for n, gap in enumerate(gaps) if gap > GROUP_SHARE * long)]
    heads = [times[number] for number in starts]
    each = starts[-1] / (len(starts) - 1)
    spans = [after - before for before, after in pairwise(heads)]
    mean = starts[-1] / (heads[-1] - heads[0])
    return Rate(*(round(value, 2) for value in (mean, each / max(spans), each / min(spans))))


@dataclass(frozen=True)
class PortReport:
    """Hold what was found out about one port."""

    adapter: Adapter
    baud: int | None = None
    inverted: bool = False
    sentences: dict[str, Rate | None] = field(default_factory=dict)
    """By address. None for a sentence that came only once."""
    looks_like: str = ""
    noise: bool = False
    """Bytes came, and no baud rate makes sentences of them."""
    uncertain: bool = False
    """Something like sentences came, and its baud rate is not certain."""
    long: bool = False
    """Some sentences have more characters than a link takes that does not allow it."""
    error: str = ""
    """Why the port could not be listened to."""
    advice: tuple[str, ...] = ()
    link: str = ""
    """The link of the boat's profile whose port it is. Empty when it is no link's."""
    feed: str = ""
    """How the boat's feed hears it: heard, garbled, silent or absent. The port was left alone then,
    and its rates are by formatter. Empty when the survey listened itself."""

    @property
    def state(self) -> str:
        """Write in a few words how the port is."""
        if self.error:
            return self.error
        if self.feed and self.feed != "heard":
            return self.feed
        if self.baud is None:
            return "noise" if self.noise else "not certain" if self.uncertain else "silent"
        return f"{self.baud} baud" + (", inverted" if self.inverted else "")

    @property
    def summary(self) -> str:
        """Write the state and what the talker looks like."""
        guess = self.looks_like if self.baud else ""
        return ": ".join(filter(None, (self.state, guess)))

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain data, for `--json`. Rates are per second."""
        adapter = self.adapter
        return {
            "device": adapter.device,
            "serial": adapter.serial or None,
            "port": adapter.port or None,
            "interface": adapter.interface,
            "driver": adapter.driver or None,
            "vendor": adapter.vendor or None,
            "product": adapter.product or None,
            "vendor_name": adapter.vendor_name or None,
            "product_name": adapter.product_name or None,
            "baud": self.baud,
            "inverted": self.inverted,
            "sentences": {name: rate and rate.mean for name, rate in self.sentences.items()},
            "spread": {
                name: [rate.least, rate.most]
                for name, rate in self.sentences.items()
                if rate and not self.feed
            },
            "looks_like": self.looks_like or None,
            "noise": self.noise,
            "uncertain": self.uncertain,
            "link": self.link or None,
            "feed": self.feed or None,
            "long": self.long,
            "error": self.error or None,
            "advice": [*self.advice],
        }


def report(adapter: Adapter, search: Search) -> PortReport:
    """Report on a port whose search is done."""
    times: dict[str, list[float]] = defaultdict(list)
    for sentence in search.sentences():
        times[address(sentence)].append(sentence.heard)
    rates = {name: rate(heard) for name, heard in sorted(times.items())}
    found = search.evidence[search.found] if search.found else None
    binary = bool(found and found.frames)
    uncertain = found is None and bool(search.supported() or _bare_rate(search))
    parts = [BINARY] if binary else []
    if rates:
        parts.append(likely(rates))
    return PortReport(
        adapter,
        baud=search.found,
        inverted=bool(found and found.is_inverted),
        sentences=rates,
        looks_like=" and ".join(filter(None, parts)),
        noise=found is None and search.heard >= MIN_TALK_BYTES and not uncertain,
        uncertain=uncertain,
        long=_is_long(search),
        advice=tuple(_about_the_line(search, binary)),
    )


def failed(adapter: Adapter, reason: str) -> PortReport:
    """Report on a port that could not be listened to."""
    return PortReport(adapter, error=reason)


def _about_the_line(search: Search, binary: bool) -> list[str]:
    """Say what to do about what came, or did not come."""
    if search.found is None:
        return _about_no_rate(search)
    found = search.evidence[search.found]
    if found.is_inverted:
        return ["its polarity is inverted: exchange the two wires of the instrument"]
    if binary:
        return ["it speaks a binary protocol: set the instrument to NMEA 0183"]
    valid = sum(len(sentence.raw) for sentence in found.sentences)
    if valid < MIN_VALID_SHARE * found.heard:
        return [
            f"{100 - 100 * valid // found.heard} % of its bytes are in no valid sentence: two "
            "instruments may talk on one line, or a contact is bad"
        ]
    if _is_long(search):
        return [
            f"some sentences have over {MAX_SENTENCE_CHARS} characters: give its link long: true"
        ]
    return []


def _is_long(search: Search) -> bool:
    """Report whether a sentence came that a link takes only with `long`."""
    return any(len(sentence.raw) > MAX_SENTENCE_CHARS for sentence in search.sentences())


def _bare_rate(search: Search) -> int | None:
    """Return the baud rate at which most lines without a valid checksum came, if many did."""
    baud = max(search.evidence, key=lambda rate: search.evidence[rate].bare)
    return baud if search.evidence[baud].bare >= MIN_BARE_LINES else None


def _about_no_rate(search: Search) -> list[str]:
    if search.heard < MIN_TALK_BYTES:
        return ["nothing came: is the instrument on, and its talker wired to this adapter?"]
    if len(search.supported()) == 1:
        return [f"too little came at {search.supported()[0]} baud to be certain: survey again"]
    if search.supported():
        rates = " and ".join(map(str, search.supported()))
        return [f"sentences came at {rates} baud: two instruments talk on one line"]
    if bare := _bare_rate(search):
        return [
            f"at {bare} baud it sends lines without a valid checksum: if its manual says so, give "
            "its link baud and unchecked: true"
        ]
    return [
        "bytes came, and no baud rate makes sentences of them: look at the wiring, or "
        "survey again while the instrument says more"
    ]
