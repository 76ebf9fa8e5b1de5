# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the configuration of boat-feed: one JSON file, /etc/boat/feed.json.

All keys but `links` may be left out. A part that is left out is off, or has the value shown.

    {"links": {NAME: LINK},
     "inputs": {NAME: INPUT},
     "outputs": {"tcp": {"port": 10110, "address": "", "clients": 64, "per_address": 8,
                         "queue": 65536, "patience": 30, FILTER},
                 "udp": [{"address": "10.47.1.255", "port": 10110,
                          "network": "10.47.1.0/24", FILTER}],
                 "multicast": {"interface": "10.47.1.1", "source": "II0001",
                               "network": "0.0.0.0/0", FILTER}},
     "prefer": {"order": {"position": ["gnss", "ais-net"]}, "silence": 10, "steady": 10},
     "steering": {"link": "autopilot", "sentences": ["APB", "RMB", "XTE"], "silence": 10,
                  "from": {"chart-table": {"address": "10.47.1.50", "mac": "02:00:00:12:34:56",
                                           "keyid": "chart-table"},
                           "plotter": {"link": "plotter"}}},
     "clock": {"socket": "/run/chrony/boat.sock", "links": ["gnss"], "not_before": EPOCH},
     "log": {"folder": "/data/log", "days": 30, "cap": BYTES, "interval": 300},
     "stations": "/run/boat-stations/socket",
     "state": {"socket": "/run/boat-feed/state.sock", "journal": 900}}

LINK, a serial connection to an instrument, or an NMEA 2000 network:

    {"device": "/dev/boat/gnss", "baud": 4800, "talks": {"RMC": 1.0}, "listens": {"APB": 1.0},
     "listens_to": ["ais-net"], "unchecked": false, "long": false, "sends": {FILTER}, FILTER}
    {"can": "can0", "talks": {"HDG": 1.0}, FILTER}

`talks` and `listens` map a formatter to sentences a second. A listener is sent no more
than its rate of each. Of sentences from the network, a listener is sent only what `talks` names
of the inputs in its `listens_to`. Sentences that steer go by `steering` instead. `unchecked`
allows sentences without a checksum, `long` sentences longer than 82 characters. Of a CAN
interface `talks` names the sentences that are made, and how many a second at most. Without it
all that can be made are made, once a second.

INPUT, a source on the network, with one of the first four keys:

    {"tcp": "10.47.2.60:10110" | "listen": PORT | "udp": PORT | "multicast": ["NAVD", "TGTD"],
     "address": "", "talks": {}, "unchecked": false, "long": false, FILTER}

`tcp` is a server that we read from, `listen` a TCP port where clients bring sentences,
`multicast` transmission groups of IEC 61162-450. A connection to us ends if it does not begin
with a sentence. A datagram that holds anything but sentences is dropped (see opening.py). A
port of `listen` takes 16 connections, 4 from one address. It ends a connection that brings no
sentence for 30 s at first or 300 s later. `address` is our own address, to listen on or to join
groups from.

FILTER is "only": [PATTERN, ...] and "but": [PATTERN, ...], both optional, where a PATTERN
is {"talker": "GP", "formatter": "RMC", "link": "gnss"} with at least one key. On a link
or input it says what is taken from it, on an output and in `sends` what is sent there.

The kinds of data in `order` are position (with course and speed over ground), heading,
depth, wind, speed (through the water), temperature and time. Links and inputs come in
order of preference. Sources that the order does not name come behind them.

`network` of an output is the network that a broadcast or multicast reaches. A sentence that was
sent to us from there does not go back there: its readers get it over TCP. Without `network` a
UDP address counts as a host's.

`queue` is in bytes for each client, `patience` in seconds without progress before a
client is disconnected. `silence` is in seconds before another source or controller may
take over. `steady` is the seconds that a lost source must be heard before it is believed again.
Dates before `not_before` are refused (left out: before this program's first Debian was
released, 2025-08-09). Dates before the boat's base was built are refused too.

A sender with `keyid` (and `mac`) steers only while hostapd says that it has joined by the
pass-phrase of this name. `stations` is the socket where boat-stations answers.

`days` (on which something was logged) and `cap` (bytes) bound the voyage log, `interval` is
the seconds between two writes. `journal` is the seconds between two lines of counters in the
journal.
"""

from __future__ import annotations

import json
import socket

from provision.onboard.feed.config.json_reader import ConfigError, Keys
from provision.onboard.feed.config.models import (
    CanConfig,
    ClockConfig,
    Config,
    InputConfig,
    LinkConfig,
    LogConfig,
    MulticastConfig,
    PreferConfig,
    SenderConfig,
    StateConfig,
    SteeringConfig,
    TcpConfig,
    UdpConfig,
)
from provision.onboard.feed.net.subnet import EVERYWHERE, Subnet
from provision.onboard.feed.nmea0183.filters import Filter, Pattern
from provision.onboard.feed.nmea0183.kinds import KINDS
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS

#: Rates that serial adapters and instruments use. 4800 is IEC 61162-1, 38400 IEC 61162-2.
BAUD_RATES = (4800, 9600, 19200, 38400, 57600, 115200)

#: Path of the socket where the feed answers with its state.
STATE_SOCKET = "/run/boat-feed/state.sock"

#: Path of the socket where boat-stations answers.
STATIONS_SOCKET = "/run/boat-stations/socket"


def _pattern(keys: Keys) -> Pattern:
    pattern = Pattern(
        talker=keys.take("talker", str, None),
        formatter=keys.take("formatter", str, None),
        link=keys.take("link", str, None),
    )
    if pattern == Pattern():
        raise ConfigError(f"{keys.place}: names neither talker, formatter nor link")
    return pattern


def _filter(keys: Keys) -> Filter:
    only = keys.each("only", _pattern) if keys.has("only") else None
    return Filter(only, keys.each("but", _pattern))


def _address(keys: Keys, key: str, default: str | None = None) -> str:
    """Return an IPv4 address. A name would need a lookup, which takes a thread."""
    value: str = keys.take(key, str, ... if default is None else default)
    if value != default:
        _check_address(value, keys.name(key))
    return value


def _check_address(value: str, place: str) -> None:
    try:
        socket.inet_pton(socket.AF_INET, value)
    except OSError:
        raise ConfigError(f"{place}: {value} is no IPv4 address") from None


def _network(keys: Keys) -> Subnet | None:
    text: str | None = keys.take("network", str, None)
    try:
        return Subnet.parse(text) if text is not None else None
    except ValueError:
        raise ConfigError(f"{keys.name('network')}: {text} is no IPv4 network") from None


def _link(name: str, keys: Keys) -> LinkConfig | CanConfig:
    if keys.has("can"):
        return CanConfig(
            name=name,
            interface=keys.take("can", str),
            talks=keys.rates("talks"),
            unchecked=False,
            long=False,
            filter=_filter(keys),
        )
    baud = keys.take("baud", int, 4800)
    if baud not in BAUD_RATES:
        raise ConfigError(f"{keys.name('baud')}: {baud} is not a baud rate")
    return LinkConfig(
        name=name,
        device=keys.take("device", str),
        baud=baud,
        talks=keys.rates("talks"),
        listens=keys.rates("listens"),
        listens_to=frozenset(keys.strings("listens_to")),
        unchecked=keys.take("unchecked", bool, False),
        long=keys.take("long", bool, False),
        filter=_filter(keys),
        sends=keys.one("sends", _filter),
    )


def _input(name: str, keys: Keys) -> InputConfig:
    ways = [way for way in ("tcp", "listen", "udp", "multicast") if keys.has(way)]
    if len(ways) != 1:
        raise ConfigError(f"{keys.place}: one of tcp, listen, udp and multicast is needed")
    tcp = None
    if ways == ["tcp"]:
        host, _, port = keys.take("tcp", str).rpartition(":")
        _check_address(host, keys.name("tcp"))
        if not port.isdecimal() or not 1 <= int(port) <= 65535:
            raise ConfigError(f"{keys.name('tcp')}: {port or 'nothing'} is no port")
        tcp = (host, int(port))
    groups = keys.strings("multicast")
    for group in groups:
        if group not in GROUPS:
            raise ConfigError(f"{keys.name('multicast')}: {group} is none of {', '.join(GROUPS)}")
    return InputConfig(
        name=name,
        tcp=tcp,
        listen=keys.whole("listen", 0, 65535) if ways == ["listen"] else None,
        udp=keys.whole("udp", 0, 65535) if ways == ["udp"] else None,
        multicast=groups,
        address=_address(keys, "address", ""),
        talks=keys.rates("talks"),
        unchecked=keys.take("unchecked", bool, False),
        long=keys.take("long", bool, False),
        filter=_filter(keys),
    )


def _tcp(keys: Keys) -> TcpConfig:
    return TcpConfig(
        port=keys.whole("port", 0, 65535, 10110),
        address=_address(keys, "address", ""),
        clients=keys.whole("clients", 1, 1000, 64),
        per_address=keys.whole("per_address", 1, 1000, 8),
        queue=keys.whole("queue", 1024, 2**24, 65536),
        patience=keys.number("patience", 1, 3600, 30),
        filter=_filter(keys),
    )


def _udp(keys: Keys) -> UdpConfig:
    return UdpConfig(
        address=_address(keys, "address"),
        port=keys.whole("port", 1, 65535, 10110),
        network=_network(keys),
        filter=_filter(keys),
    )


def _multicast(keys: Keys) -> MulticastConfig:
    source: str = keys.take("source", str, "II0001")
    # Two letters and four digits (IEC 61162-450, from memory).
    if len(source) != 6 or not (source[:2].isalpha() and source[2:].isdecimal()):
        raise ConfigError(f"{keys.name('source')}: {source} is not two letters and four digits")
    return MulticastConfig(
        interface=_address(keys, "interface", ""),
        source=source,
        network=_network(keys) or EVERYWHERE,
        filter=_filter(keys),
    )


def _order(keys: Keys) -> dict[str, tuple[str, ...]]:
    return {kind: keys.strings(kind) for kind in KINDS if keys.has(kind)}


def _prefer(keys: Keys) -> PreferConfig:
    return PreferConfig(
        order=keys.one("order", _order),
        silence=keys.number("silence", 0.1, 3600, 10),
        steady=keys.number("steady", 0, 3600, 10),
    )


def _sender(name: str, keys: Keys) -> SenderConfig:
    mac: str | None = keys.take("mac", str, None)
    sender = SenderConfig(
        name=name,
        address=keys.take("address", str, None),
        mac=mac.lower() if mac else None,
        link=keys.take("link", str, None),
        keyid=keys.take("keyid", str, None),
    )
    if sender.keyid is not None and (sender.address is None or sender.mac is None):
        raise ConfigError(f"{keys.place}: keyid needs address and mac")
    if (sender.address is None) == (sender.link is None):
        raise ConfigError(f"{keys.place}: a sender is named either by address or by link")
    return sender


def _steering(keys: Keys) -> SteeringConfig:
    return SteeringConfig(
        link=keys.take("link", str),
        sentences=frozenset(keys.strings("sentences")),
        senders=keys.named("from", _sender),
        silence=keys.number("silence", 1, 3600, 10),
    )


def _clock(keys: Keys) -> ClockConfig:
    return ClockConfig(
        socket=keys.take("socket", str),
        links=keys.strings("links"),
        not_before=(keys.number("not_before", 0, 2**40, 0.0) if keys.has("not_before") else None),
    )


def _log(keys: Keys) -> LogConfig:
    return LogConfig(
        folder=keys.take("folder", str),
        days=keys.whole("days", 1, 10000, 30),
        cap=keys.whole("cap", 2**20, 2**50, 2 * 10**9),
        interval=keys.number("interval", 1, 86400, 300),
    )


def _state(keys: Keys) -> StateConfig:
    return StateConfig(
        socket=keys.take("socket", str, STATE_SOCKET),
        journal=keys.number("journal", 0.1, 10**6, 900),
    )


def _outputs(keys: Keys) -> tuple[TcpConfig | None, tuple[UdpConfig, ...], MulticastConfig | None]:
    return keys.maybe("tcp", _tcp), keys.each("udp", _udp), keys.maybe("multicast", _multicast)


def _config(keys: Keys) -> Config:
    links = keys.named("links", _link)
    tcp, udp, multicast = keys.one("outputs", _outputs)
    config = Config(
        links=tuple(link for link in links if isinstance(link, LinkConfig)),
        cans=tuple(link for link in links if isinstance(link, CanConfig)),
        inputs=keys.named("inputs", _input),
        tcp=tcp,
        udp=udp,
        multicast=multicast,
        prefer=keys.maybe("prefer", _prefer),
        steering=keys.maybe("steering", _steering),
        clock=keys.maybe("clock", _clock),
        log=keys.maybe("log", _log),
        stations=keys.take("stations", str, STATIONS_SOCKET),
        state=keys.one("state", _state),
    )
    _check_names(config)
    return config


def _check_names(config: Config) -> None:
    """Check that every link and input that the configuration names exists."""
    serial = {link.name for link in config.links}
    sources = serial | {can.name for can in config.cans} | {i.name for i in config.inputs}
    if len(sources) < len(config.links) + len(config.cans) + len(config.inputs):
        raise ConfigError("inputs: a link has the same name")
    inputs = {i.name for i in config.inputs}
    for link in config.links:
        for name in sorted(link.listens_to - inputs):
            raise ConfigError(f"links.{link.name}.listens_to: there is no input {name}")
    if config.steering:
        if config.steering.link not in serial:
            raise ConfigError(f"steering.link: there is no link {config.steering.link}")
        # A sender of datagrams can forge its address. A client of a port that is open to every
        # client is unknown.
        named = serial | {i.name for i in config.inputs if i.tcp is not None}
        for sender in config.steering.senders:
            if sender.link is not None and sender.link not in named:
                raise ConfigError(
                    f"steering.from.{sender.name}: {sender.link} is neither a serial link nor "
                    "an input with tcp"
                )
    for name in config.clock.links if config.clock else ():
        if name not in serial:
            raise ConfigError(f"clock.links: there is no link {name}")
    for kind, order in config.prefer.order.items() if config.prefer else ():
        for name in order:
            if name not in sources:
                raise ConfigError(f"prefer.order.{kind}: there is no link or input {name}")


def parse(value: object) -> Config:
    """Return the configuration in decoded JSON. ConfigError when it cannot be used."""
    return Keys(value, "").whole_of(_config)


def load(path: str) -> Config:
    """Return the configuration in the file at `path`. ConfigError when it cannot be used."""
    try:
        with open(path, "rb") as file:
            return parse(json.load(file))
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror}") from error
    except (ValueError, RecursionError) as error:
        raise ConfigError(f"{path}: {error}") from error
