# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the country allows the channel, and that the radio can use it."""

from __future__ import annotations

from collections.abc import Iterator

from provision import boards
from provision.checks.figure import Figure, judge
from provision.checks.finding import Finding, Level
from provision.checks.network import regdb
from provision.profile.load import Boat

#: Rules for use without the kernel's own table. Common practice.
CHANNELS_ALLOWED_EVERYWHERE = range(1, 12)
RADAR_CHANNELS = range(52, 145)
CHANNEL_14 = 14

#: Countries where channels 12 and 13 are not allowed either: wireless-regdb's regulatory.db of
#: 2026.
COUNTRIES_WITHOUT_12_13 = [
    "AS",
    "BM",
    "DM",
    "DO",
    "FM",
    "GD",
    "GU",
    "HT",
    "MH",
    "MP",
    "NI",
    "PR",
    "PW",
    "US",
    "VI",
]

_HELP_CLIENTS = "the radio turns away those who come later: name those that are used at once"

_CHANNELS_2_4_GHZ = range(1, 15)
_NEEDS_RADAR_DETECTION = "needs radar detection, which may stop the network at any time"
_CHANNELS_5_GHZ = (*range(36, 65, 4), *range(100, 145, 4), *range(149, 178, 4))


def channel_frequency(channel: int) -> int | None:
    """Return the centre of a 20 MHz channel in MHz, or None (IEEE Std 802.11)."""
    if channel in _CHANNELS_2_4_GHZ:
        return 2484 if channel == _CHANNELS_2_4_GHZ[-1] else 2407 + 5 * channel
    return 5000 + 5 * channel if channel in _CHANNELS_5_GHZ else None


def check(boat: Boat) -> Iterator[Finding]:
    """Find a channel that the country or the radio does not allow, and too many tablets."""
    point, radio = boat.profile.network.access_point, boards.board(boat.profile.board).wifi
    location = boat.location("network.access_point.channel")
    tell = "channels 1, 6 and 11 are allowed nearly everywhere and do not overlap"
    centre = channel_frequency(point.channel)
    band = "2.4 GHz" if point.channel in _CHANNELS_2_4_GHZ else "5 GHz"
    tablets = len(boat.profile.network.tablets)
    if tablets > radio.clients:
        yield Finding(
            "warning",
            "wifi-clients",
            f"{tablets} tablets are named, and the board's radio serves {radio.clients} at once",
            boat.location("network.tablets"),
            _HELP_CLIENTS,
        )
    if centre is None:
        message = f"there is no 20 MHz channel {point.channel}"
        yield Finding("error", "wifi-channel", message, location, tell)
    elif band not in radio.bands:
        message = f"the board's radio has no {band} band, where channel {point.channel} is"
        yield Finding("error", "wifi-channel", message, location, tell)
    elif (table := regdb.read_installed()) is not None:
        yield from _by_table(boat, table, centre, tell)
    elif point.channel not in CHANNELS_ALLOWED_EVERYWHERE:
        yield _by_rule_of_thumb(boat, tell)


def figures(boat: Boat) -> Iterator[Figure]:
    """Count the named tablets against those that the radio serves."""
    tablets, radio = len(boat.profile.network.tablets), boards.board(boat.profile.board).wifi
    yield Figure(
        "wifi-clients",
        "tablets named for the board's radio",
        tablets,
        "tablets",
        "common practice",
        limit=radio.clients,
        verdict=judge(tablets, radio.clients, above="warning"),
        help=_HELP_CLIENTS,
        key="network.tablets",
    )


def _by_rule_of_thumb(boat: Boat, tell: str) -> Finding:
    """Judge a channel that is not allowed everywhere, without the kernel's table."""
    point = boat.profile.network.access_point
    location = boat.location("network.access_point.channel")
    where = f"channel {point.channel} in {point.country}"
    if point.channel in RADAR_CHANNELS:
        return Finding("error", "wifi-channel", f"{where} {_NEEDS_RADAR_DETECTION}", location, tell)
    if point.channel == CHANNEL_14 or (
        point.channel in _CHANNELS_2_4_GHZ and point.country in COUNTRIES_WITHOUT_12_13
    ):
        return Finding("error", "wifi-channel", f"{where} is not allowed", location, tell)
    return Finding(
        "warning",
        "wifi-unchecked",
        f"whether {where} is allowed could not be checked",
        location,
        "sudo apt-get install wireless-regdb",
    )


def _by_table(boat: Boat, table: regdb.Table, centre: int, tell: str) -> Iterator[Finding]:
    point = boat.profile.network.access_point
    if point.country not in table:
        yield Finding(
            "error",
            "wifi-country",
            f"the kernel knows no rules for the country {point.country}",
            boat.location("network.access_point.country"),
            "write the two letters of ISO 3166-1, such as GB, FR or US",
        )
        return
    rule = regdb.find_rule(table[point.country], centre)
    where = f"channel {point.channel} in {point.country}"
    level: Level = "error"
    if rule is None:
        message = f"{where} is not allowed"
    elif rule.radar:
        message = f"{where} {_NEEDS_RADAR_DETECTION}"
    elif rule.no_initiate or rule.no_ofdm:
        message = f"{where} is not allowed for an access point"
    elif rule.indoor:
        level, message = "warning", f"{where} is for indoor use only"
    else:
        return
    location = boat.location("network.access_point.channel")
    yield Finding(level, "wifi-channel", message, location, tell)
