# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the page of a survey: what each port hears, and what to do about it."""

from __future__ import annotations

from provision.report.page import Mark, Page, Section, Table, ToDo, cause, count, cut, worst_first
from provision.report.plots.bars import draw_length
from provision.report.words import all_of, need_somebody
from provision.survey.console import describe
from provision.survey.findings import Findings
from provision.survey.groups import NetworkReport
from provision.survey.report import PortReport
from provision.survey.words import hub_of, socket_in_words

#: Sentences, or groups, of one port that are shown.
MAX_ROWS = 60

_LABELS = {
    Mark.FINE: "with data",
    Mark.WATCH: "with data, and something to do",
    Mark.TROUBLE: "without data",
}


def survey_page(found: Findings, boat: str = "", profile: tuple[str, ...] = ()) -> Page:
    """Make the page of a survey: of this computer, or of a boat.

    `profile` says in lines what became of the boat's profile.
    """
    hubs = {hub_of(port.adapter.port) for port in found.ports if hub_of(port.adapter.port)}
    sections = [
        *(_port(port, hubs) for port in found.ports),
        *(_network(network) for network in found.networks),
    ]
    todos = [todo for port in found.ports for todo in _todos(port)]
    todos += [
        ToDo((cause(network.device, network.error or network.summary),))
        for network in found.networks
        if network.error or not network.groups
    ]
    bad = sum(section.mark is not Mark.FINE for section in sections)
    verdict = (
        need_somebody(sections, bad, "port")
        if bad
        else all_of(sections, "brings data", "bring data", "port")
    )
    return Page(
        f"Survey of {boat}" if boat else "Survey",
        verdict,
        count(sections, _LABELS),
        tuple(todos),
        item="port",
        heads=("looks like", "socket"),
        sections=worst_first(sections),
        remarks=profile,
    )


def _port(port: PortReport, hubs: set[str]) -> Section:
    brings = bool(port.baud) and not port.error and port.feed in ("", "heard")
    mark = Mark.TROUBLE
    if brings:
        mark = Mark.WATCH if port.advice else Mark.FINE
    socket = socket_in_words(port.adapter.port, hubs) if port.adapter.port else ""
    facts = [("adapter", describe(port.adapter)), ("link", port.link)]
    return Section(
        port.adapter.device,
        mark,
        cut(port.state),
        (port.looks_like, socket),
        facts=tuple((name, fact) for name, fact in facts if fact),
        tables=(_sentences(port),) if port.sentences else (),
    )


def _sentences(port: PortReport) -> Table:
    rates = list(port.sentences.items())[:MAX_ROWS]
    fastest = max((rate.mean for _, rate in rates if rate), default=0.0)
    seldom = "rarely" if port.feed else "once"
    return Table(
        ("sentence", "", "rate"),
        tuple(
            (name, draw_length(rate.mean if rate else 0.0, fastest), str(rate or seldom))
            for name, rate in rates
        ),
        numbers=frozenset({2}),
        title="Sentences",
    )


def _network(network: NetworkReport) -> Section:
    brings = bool(network.groups) and not network.error
    rows = tuple(
        (
            str(group.pgn),
            str(group.source),
            "once" if group.rate is None else f"{group.rate:.3g}/s",
            "yes" if group.translated else "no",
        )
        for group in network.groups[:MAX_ROWS]
    )
    heads = ("PGN", "source", "rate", "translated")
    table = Table(heads, rows, numbers=frozenset({1, 2}), title="Groups of NMEA 2000")
    return Section(
        network.device,
        Mark.FINE if brings else Mark.TROUBLE,
        cut(network.error or network.summary),
        ("NMEA 2000", ""),
        tables=(table,) if rows else (),
    )


def _todos(port: PortReport) -> list[ToDo]:
    if port.error:
        return [ToDo((cause(port.adapter.device, port.error),))]
    advice = [*port.advice]
    if not advice and port.feed not in ("", "heard"):
        advice = [f"{port.link}: the feed reports it as {port.feed}"]
    return [ToDo((cause(port.adapter.device, text),)) for text in advice]
