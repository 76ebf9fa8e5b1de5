# SPDX-License-Identifier: GPL-3.0-or-later
"""Report on a link that the boat's feed has open, from what the feed tells of it."""

from __future__ import annotations

from collections.abc import Mapping

from provision.survey.likely import likely
from provision.survey.remote.messages import LinkMessage
from provision.survey.report import PortReport, Rate
from provision.verify.heard import LinkState, state_before

#: Letters of a formatter that has a talker before it (IEC 61162-1), which the feed does not tell.
_FORMATTER_CHARS = 3

ADVICE: Mapping[LinkState, str] = {
    "garbled": "the feed gets bytes and no valid sentence at {baud} baud: survey with --all",
    "silent": "the feed hears nothing at {baud} baud: is the instrument on? --all listens at all "
    "baud rates",
    "absent": "its adapter is not plugged in, or another program has it open",
}


def report_link(link: LinkMessage, running: float) -> PortReport:
    """Report on a link. `running` are the seconds since the feed started."""
    adapter = link.adapter.adapter()
    if link.state is None:
        return PortReport(adapter, link=link.name, error="the boat's feed tells nothing of it")
    if link.state.paused:
        return PortReport(adapter, link=link.name, error="another survey has it")
    state = state_before(link.state.model_dump(), running)
    advice = ADVICE.get(state, "").format(baud=link.baud)
    heard = state == "heard"
    return PortReport(
        adapter,
        baud=link.baud if heard else None,
        sentences={name: _rate(mean) for name, mean in sorted(link.state.rates.items())}
        if heard
        else {},
        looks_like=likely(map(_address, link.state.rates)) if heard else "",
        advice=(advice,) if advice else (),
        link=link.name,
        feed=state,
    )


def _rate(mean: float) -> Rate | None:
    return Rate(mean, mean, mean) if mean else None


def _address(formatter: str) -> str:
    """Put two characters for the talker before a formatter. A proprietary one has none."""
    return f"--{formatter}" if len(formatter) == _FORMATTER_CHARS else formatter
