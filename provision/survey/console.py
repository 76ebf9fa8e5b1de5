# SPDX-License-Identifier: GPL-3.0-or-later
"""Print what the operator sees: a live table of the ports, and a table with advice at the end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from threading import Lock

from rich.console import Console, Group
from rich.live import Live
from rich.table import Column, Table
from rich.text import Text

from provision.harmless import harmless
from provision.onboard.feed.nmea2000.pgn import GROUPS
from provision.survey.adapters import Adapter
from provision.survey.groups import NetworkReport
from provision.survey.listening import Show
from provision.survey.report import PortReport
from provision.survey.words import hub_of, socket_in_words

#: Characters of one cell. What a chip reports is shorter.
MAX_CELL_CHARS = 500


def _text(value: object, style: str = "") -> Text:
    """Make a cell of what a chip or an instrument says, without markup or control codes."""
    return Text(harmless(str(value), MAX_CELL_CHARS), style=style)


def _table(*columns: str) -> Table:
    # A narrow screen folds a cell: a path that is cut off is useless.
    headed = (Column(name, overflow="fold") for name in columns)
    return Table(*headed, box=None, pad_edge=False, show_edge=False)


def result_table(reports: Sequence[PortReport]) -> Group:
    """Write one row a port, and below the rows what each adapter is and what to do about it."""
    adapters = [report.adapter for report in reports]
    rows = _table("port", "socket", "hears", "looks like", "sentences")
    notes: list[Text] = []
    for report in reports:
        seldom = "rarely" if report.feed else "once"
        lines = [f"{name} {rate or seldom}" for name, rate in report.sentences.items()]
        style = "green" if report.baud else "red" if report.error else "yellow"
        rows.add_row(
            _text(report.adapter.device),
            _text(_socket(report.adapter, adapters)),
            _text(report.state, style),
            _text(report.looks_like),
            _text("\n".join(lines)),
        )
        lines = [describe(report.adapter), *report.advice]
        notes.append(_text(f"{report.adapter.device}: " + "\n  ".join(filter(None, lines))))
    return Group(rows, Text(), *notes)


def network_table(networks: Sequence[NetworkReport]) -> Group:
    """Write one row a group and source of each network, and whether the feed translates it."""
    rows = _table("network", "PGN", "source", "rate", "sentences that the feed makes")
    for network in networks:
        if network.error or not network.groups:
            rows.add_row(_text(network.device), _text(network.summary, "yellow"))
        for group in network.groups:
            made = " ".join(_made_of(group.pgn)) if group.translated else "none"
            rate = "once" if group.rate is None else f"{group.rate:.3g}/s"
            rows.add_row(*map(_text, (network.device, group.pgn, group.source, rate, made)))
    return Group(rows)


def _made_of(pgn: int) -> list[str]:
    return [*GROUPS[pgn].makes] if pgn in GROUPS else []


def describe(adapter: Adapter) -> str:
    """Write an adapter's name, numbers, serial number, interface and driver in one line."""
    serial = f"serial {adapter.serial}" if adapter.serial else "no serial number"
    parts = [
        adapter.name,
        adapter.numbers if adapter.name != adapter.numbers else "",
        serial if adapter.port else "",
        f"port {adapter.port}" if adapter.port else "",
        f"interface {adapter.interface}" if adapter.interface is not None else "",
        f"driver {adapter.driver}" if adapter.driver else "",
    ]
    return ", ".join(filter(None, parts)) or "not a USB adapter"


def _socket(adapter: Adapter, adapters: Sequence[Adapter]) -> str:
    hubs = {hub_of(other.port) for other in adapters if hub_of(other.port)}
    return socket_in_words(adapter.port, hubs) if adapter.port else ""


class _States:
    """Hold how far each port is. rich reads the rows whenever it repaints them."""

    def __init__(self, adapters: Sequence[Adapter]) -> None:
        self._adapters = adapters
        self._states = {adapter.device: "waiting" for adapter in adapters}
        self._lock = Lock()

    def show(self, adapter: Adapter, state: str) -> None:
        with self._lock:
            self._states[adapter.device] = state

    def __rich__(self) -> Table:
        table = _table("port", "socket", "hears")
        with self._lock:
            for adapter in self._adapters:
                socket = _socket(adapter, self._adapters)
                table.add_row(*map(_text, (adapter.device, socket, self._states[adapter.device])))
        return table


@contextmanager
def progress(adapters: Sequence[Adapter], console: Console) -> Iterator[Show]:
    """Show one row a port while the block runs, and yield what `survey` takes.

    Without a terminal, print each change as a line instead.
    """
    if not console.is_terminal:
        yield lambda adapter, state: console.print(
            harmless(f"{adapter.device}: {state}"), markup=False
        )
        return
    states = _States(adapters)
    with Live(states, console=console, transient=True, refresh_per_second=4):
        yield states.show
