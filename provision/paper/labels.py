# SPDX-License-Identifier: GPL-3.0-or-later
"""Make labels for the computer, hubs and adapters, and flags for cables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from provision.onboard.page.view.text import clean
from provision.paper.pages import Pages, Paper, fill
from provision.paper.wiring import Line, Plug, Wiring, read_wiring
from provision.paper.words import join
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile
from provision.render.qr_code import draw_code

#: Characters of a name in a code. A longer text has smaller squares, and a label has 15 mm.
MAX_CODE_CHARS = 32


@dataclass(frozen=True)
class Label:
    """Hold a label of 60 x 18 mm: what it says, and its code."""

    name: str
    detail: str
    socket: str
    text: str
    """What a phone shows of its code, without any network."""

    @property
    def code(self) -> Markup:
        """Draw the code."""
        return Markup(draw_code(self.text))  # noqa: S704 - drawn by a library out of squares


@dataclass(frozen=True)
class Flag:
    """Hold a flag of 60 x 11 mm, which is folded round a cable. Both halves say the name."""

    name: str
    adapter: str
    socket: str


@dataclass(frozen=True)
class BoatLabels:
    """Hold all labels of a boat."""

    boat: str
    labels: tuple[Label, ...]
    flags: tuple[Flag, ...]


def make_labels(boats: Sequence[Boat], paper: Paper) -> Pages:
    """Make the labels of boats. No secret stands on them."""
    sets = [_collect(boat.profile) for boat in boats]
    # Templates of ours made these, and escaped what is in them.
    articles = [Markup(fill("labels.html.j2", labels=one)) for one in sets]  # noqa: S704
    html = fill(
        "document.html.j2",
        kind="labels",
        title="Labels for adapters and cables",
        paper=paper,
        articles=articles,
    )
    return Pages("labels", html, private=False)


def _collect(profile: Profile) -> BoatLabels:
    wiring = read_wiring(profile)
    wired = [plug for plug in wiring.plugs if plug.kind != "input"]
    return BoatLabels(
        boat=wiring.boat,
        labels=(
            _label_computer(profile, wiring),
            *_label_hubs(wiring),
            *(_label_adapter(wiring.boat, plug) for plug in wired if plug.kind == "adapter"),
        ),
        flags=tuple(_flag(plug, line) for plug in wired for line in plug.lines),
    )


def _label_computer(profile: Profile, wiring: Wiring) -> Label:
    address = str(profile.network.address.ip)
    # A phone that has joined opens the page by it.
    text = f"http://{address}/" if profile.page else f"{wiring.boat} computer {address}"
    return Label(wiring.boat, f"computer, {wiring.computer}", address, text)


def _label_hubs(wiring: Wiring) -> Iterator[Label]:
    for hub in wiring.hubs:
        supply = "its own supply" if hub.own_supply else "fed by the computer"
        sockets = f"{hub.sockets} USB sockets"
        text = f"{wiring.boat}: hub {_cut(hub.name)}\n{sockets}, {supply}"
        yield Label(f"hub {hub.name}", sockets, supply, text)


def _label_adapter(boat: str, plug: Plug) -> Label:
    socket = _name_socket(plug)
    lines = [f"{_number(line)}{line.name} {line.speed} baud" for line in plug.lines]
    text = f"{_cut(boat)}: {_cut(plug.label)}\n{socket}\n" + "\n".join(lines)
    name = join(line.name for line in plug.lines)
    return Label(name, "" if plug.fixed else plug.label, socket, text)


def _flag(plug: Plug, line: Line) -> Flag:
    if plug.kind == "network":
        return Flag(line.name, plug.label, f"into {plug.socket}")
    of = f", line {line.number}" if line.number else ""
    return Flag(line.name, f"{clean(plug.label, MAX_CODE_CHARS)}{of}", f"{line.speed} baud")


def _name_socket(plug: Plug) -> str:
    return f"stays in USB socket {plug.socket}" if plug.fixed else "any USB socket"


def _number(line: Line) -> str:
    return f"{line.number} " if line.number else ""


def _cut(name: str) -> str:
    return clean(name, MAX_CODE_CHARS)
