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
     "state": {"socket": "/run/boat-feed/state.sock", "group": false, "journal": 900,
               "pause": "/run/boat-feed/pause.sock"}}

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

`group` of `state` lets the group that the feed runs as ask for the state, beside its user and root.

`pause` of `state` is where root may have a link paused (see pause_socket.py). Without it no link
can be.

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

from provision.onboard.feed.config.json_reader import ConfigError, read
from provision.onboard.feed.config.models import Config


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
    config = read(Config, value)
    _check_names(config)
    return config


def load(path: str) -> Config:
    """Return the configuration in the file at `path`. ConfigError when it cannot be used."""
    try:
        with open(path, "rb") as file:
            return parse(json.load(file))
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror}") from error
    except (ValueError, RecursionError) as error:
        raise ConfigError(f"{path}: {error}") from error
