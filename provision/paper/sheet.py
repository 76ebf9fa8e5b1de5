# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the sheet for the chart table: what to try, how to connect, what is plugged in where."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from provision.boards import board
from provision.onboard.feed.nmea0183.sentence import STEERS
from provision.paper import fit
from provision.paper.pages import Pages, Paper, fill
from provision.paper.wiring import Wiring, read_wiring
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile
from provision.profile.schema.supply import SupplyConfig
from provision.render.qr_code import draw_code, write_wifi_code

#: Lays an HTML document out, and returns how many pages it takes.
CountPages = Callable[[str], int]


@dataclass(frozen=True)
class Pilot:
    """Hold an autopilot on a link, and the tablets and links that may steer it."""

    link: str
    senders: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """Hold what the sheet of one boat says."""

    boat: str
    file: str
    """The name of the boat's file."""
    digest: str
    """The beginning of the profile's digest, as the manifest aboard has it, in hex."""
    wiring: Wiring
    address: str
    tcp: int
    ssid: str
    pass_phrase: str | None
    """None leaves a line to fill in by hand."""
    wifi_code: Markup | None
    page_code: Markup | None
    """None of a boat without a page."""
    own_pass_phrases: tuple[str, ...]
    """Tablets that join by a pass-phrase of their own, which no sheet shows."""
    clients: int
    """How many devices the radio takes at once."""
    wired: bool
    """Whether the wired port joins the boat's own network."""
    supply: SupplyConfig | None
    pilots: tuple[Pilot, ...]

    @property
    def page(self) -> str:
        """Return the address of the boat's page."""
        return f"http://{self.address}/"

    @property
    def loose(self) -> bool:
        """Tell if an adapter works in any socket."""
        return any(plug.kind == "adapter" and not plug.fixed for plug in self.wiring.plugs)

    @property
    def fixed(self) -> bool:
        """Tell if an adapter has to stay in its socket."""
        return any(plug.fixed for plug in self.wiring.plugs)

    @property
    def kinds(self) -> set[str]:
        """Return the kinds of plugs that are drawn."""
        return {plug.kind for plug in self.wiring.plugs}


def make_sheets(
    boats: Sequence[tuple[Boat, str | None]], paper: Paper, count_pages: CountPages | None = None
) -> Pages:
    """Make the sheets of boats, each with the pass-phrase of its Wi-Fi or without.

    `count_pages` lays a document out and returns how many pages it takes, so that each boat's type
    is as large as one page allows. Without it the size is estimated.
    """
    sheets = [_collect(boat, pass_phrase) for boat, pass_phrase in boats]
    articles = [_draw_largest(sheet, paper, count_pages) for sheet in sheets]
    private = any(pass_phrase is not None for _, pass_phrase in boats)
    return Pages("sheet", _document(articles, paper), private)


def _draw_largest(sheet: Sheet, paper: Paper, count_pages: CountPages | None) -> str:
    """Draw a sheet as large as one page allows, or else as few pages."""
    rows = fit.count_rows(sheet.wiring)

    def draw(size: float, long: bool = False) -> str:
        dense = rows >= fit.DENSE_ROWS and not long
        return fill("sheet.html.j2", sheet=sheet, size=size, long=long, dense=dense)

    if count_pages is None:
        size = fit.estimate(rows, paper)
        return draw(size) if size else draw(fit.SIZES_PT[0], long=True)

    def count(size: float, long: bool = False) -> int:
        return count_pages(_document([draw(size, long)], paper))

    if size := fit.find_size(lambda size: count(size) == 1):
        return draw(size)
    fewest = count(fit.SIZES_PT[-1], long=True)
    size = fit.find_size(lambda size: count(size, long=True) <= fewest)
    return draw(size or fit.SIZES_PT[-1], long=True)


def _document(articles: Sequence[str], paper: Paper) -> str:
    return fill(
        "document.html.j2",
        kind="sheet",
        title="Sheet for the chart table",
        paper=paper,
        # Templates of ours made these, and escaped what is in them.
        articles=[Markup(one) for one in articles],  # noqa: S704
    )


def _collect(boat: Boat, pass_phrase: str | None) -> Sheet:
    profile = boat.profile
    network = profile.network
    ssid, address = network.access_point.ssid, str(network.address.ip)
    return Sheet(
        boat=profile.boat,
        file=boat.file.name,
        digest=boat.digest()[:12],
        wiring=read_wiring(profile),
        address=address,
        tcp=profile.feed.tcp,
        ssid=ssid,
        pass_phrase=pass_phrase,
        wifi_code=None if pass_phrase is None else _draw(write_wifi_code(ssid, pass_phrase)),
        page_code=_draw(f"http://{address}/") if profile.page else None,
        own_pass_phrases=tuple(profile.own_pass_phrases),
        clients=board(profile.board).wifi.clients,
        wired=network.wired == "boat",
        supply=profile.supply,
        pilots=tuple(_list_pilots(profile)),
    )


def _draw(text: str) -> Markup:
    return Markup(draw_code(text))  # noqa: S704 - drawn by a library out of squares


def _list_pilots(profile: Profile) -> Iterator[Pilot]:
    """Yield the links that are sent steering sentences, with all that may send them."""
    steering = profile.steering
    for name, link in profile.serial_links.items():
        heeded = STEERS.intersection(link.listens)
        if steering and steering.link == name:
            yield Pilot(name, tuple(steering.senders))
        elif heeded:
            yield Pilot(name, tuple(_list_talkers(profile, heeded, name)))


def _list_talkers(profile: Profile, formatters: frozenset[str], pilot: str) -> Iterator[str]:
    """Yield the other links that send one of these sentences."""
    for name, link in profile.serial_links.items():
        if name != pilot and formatters.intersection(link.talks):
            yield name
