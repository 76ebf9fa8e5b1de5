# SPDX-License-Identifier: GPL-3.0-or-later
"""Define the profile of one boat as typed and validated models."""

from __future__ import annotations

import ipaddress
import unicodedata
from functools import cached_property
from typing import Annotated, Literal

from pydantic import Field, field_validator

from provision.profile.schema.addresses import Interface, MacAddress
from provision.profile.schema.base import Model
from provision.profile.schema.charts import ChartsConfig
from provision.profile.schema.feed import ClockConfig, FeedConfig, LogConfig, SteeringConfig
from provision.profile.schema.links import AnyLink, CanConfig, InputConfig, LinkConfig
from provision.profile.schema.page import OptionalPage
from provision.profile.schema.supply import SupplyConfig
from provision.profile.schema.types import (
    AccessKey,
    Country,
    HostName,
    InvalidValue,
    LinkName,
    Milliamps,
    Size,
)

#: IEEE Std 802.11: an SSID has 1 to 32 octets.
MAX_SSID_OCTETS = 32

#: From the addresses of a whole club down to a dozen tablets.
PREFIX_LENGTHS = range(16, 29)


#: Maximum length of a pass-phrase's name in hostapd (wpa_psk_file, keyid).
MAX_KEYID_CHARS = 31

#: Maximum number of keys. Each may be a file of several public keys, and the boat reads all of them
#: at a login.
MAX_ACCESS_KEYS = 100


class CardConfig(Model):
    """The card that the image will be written to."""

    size: Size = 16 * 10**9
    """What the card's label says, such as 32 GB."""
    endurance: Size | None = None
    """What its data sheet says may be written to it in all (TBW), such as 40 TB."""


class AccessPointConfig(Model):
    """The boat's own Wi-Fi."""

    ssid: Annotated[str, Field(json_schema_extra={"minLength": 1, "maxLength": MAX_SSID_OCTETS})]
    """The network's name on the air: 1 to 32 octets of UTF-8 (IEEE Std 802.11)."""
    country: Country
    """Where the boat is, as ISO 3166-1 alpha-2. The radio obeys that country's rules."""
    channel: Annotated[int, Field(ge=1, le=177)] = 6
    """1 to 14 in the 2.4 GHz band, 36 and up in the 5 GHz band."""

    @field_validator("ssid")
    @classmethod
    def _octets(cls, value: str) -> str:
        octets = len(value.encode())
        if not 1 <= octets <= MAX_SSID_OCTETS:
            raise ValueError(f"an SSID has 1 to {MAX_SSID_OCTETS} octets, this one has {octets}")
        if any(unicodedata.category(character) == "Cc" for character in value):
            raise ValueError("an SSID with a control character cannot be typed on a tablet")
        return value


class TabletConfig(Model):
    """A known device aboard, which gets a name and a fixed address."""

    mac: MacAddress
    own_pass_phrase: bool = False
    """Whether it joins the Wi-Fi by a pass-phrase of its own, by which the boat knows it.

    `provision keys` makes the pass-phrase. The boat then takes nothing from this tablet's
    addresses that does not come over the boat's own Wi-Fi.
    """


class NetworkConfig(Model):
    """The boat's own network and the ways out of it."""

    address: Interface
    """The boat's own address on it, with the prefix length: 10.47.1.1/24."""
    access_point: AccessPointConfig
    wired: Literal["boat", "shore"] = "boat"
    """boat: the wired port joins the boat's own network. shore: it is an uplink."""
    tablets: dict[HostName, TabletConfig] = Field(default={})

    @field_validator("tablets")
    @classmethod
    def _short_names(cls, value: dict[str, TabletConfig]) -> dict[str, TabletConfig]:
        for name, tablet in value.items():
            if tablet.own_pass_phrase and len(name) > MAX_KEYID_CHARS:
                raise InvalidValue(
                    f"{name} is too long a name for a tablet with a pass-phrase of its own",
                    f"use at most {MAX_KEYID_CHARS} characters",
                )
        return value

    @field_validator("address")
    @classmethod
    def _private(cls, value: ipaddress.IPv4Interface) -> ipaddress.IPv4Interface:
        private = [
            ipaddress.IPv4Network(n) for n in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16")
        ]
        if not any(value.network.subnet_of(network) for network in private):
            raise ValueError(
                f"{value} is not in a private range (RFC 1918): 10/8, 172.16/12, 192.168/16"
            )
        if value.network.prefixlen not in PREFIX_LENGTHS:
            raise ValueError(f"/{value.network.prefixlen} leaves no sensible room; use /16 to /28")
        if value.ip in (value.network.network_address, value.network.broadcast_address):
            raise ValueError(f"{value.ip} is the network's own or its broadcast address")
        return value


class AccessConfig(Model):
    """The people who may log in, by SSH key only."""

    keys: list[AccessKey] = Field(min_length=1, max_length=MAX_ACCESS_KEYS)
    """OpenSSH public keys, or names of *.pub files beside the profile."""
    from_shore: bool = False
    """Whether SSH also answers on the uplink side."""


class HubConfig(Model):
    """A USB hub between the board and adapters."""

    ports: Annotated[int, Field(ge=2, le=16)]
    own_supply: bool
    """Whether it has a 5 V supply of its own."""


class DeviceConfig(Model):
    """A radio, screen, stick or other device in a USB socket."""

    milliamps: Milliamps = 500
    """Its largest current, as its label or `lsusb -v` says (MaxPower).

    Without the key it is the most that a socket gives (USB 2.0 specification).
    """
    own_supply: bool = False
    """Whether it has a supply of its own, and draws nothing from its socket."""


class UsbConfig(Model):
    """The USB hubs in the board's own sockets, and what is plugged in beside the adapters."""

    hubs: dict[HostName, HubConfig] = Field(default={})
    devices: dict[HostName, DeviceConfig] = Field(default={})


class Profile(Model):
    """One boat."""

    boat: HostName
    """The boat's name, unique in the club. It becomes the host name."""
    includes: list[str] = Field(default=[])
    """Files whose keys this profile shares. Its own keys win."""
    board: str
    """The onboard computer's model."""
    card: CardConfig = CardConfig.model_construct()
    network: NetworkConfig
    links: dict[LinkName, AnyLink] = Field(min_length=1)
    """What is wired to the boat's computer."""
    inputs: dict[LinkName, InputConfig] = Field(default={})
    """Sources on the boat's own network."""
    feed: FeedConfig = FeedConfig.model_construct()
    steering: SteeringConfig | None = None
    """Without it no sentence from the network steers."""
    clock: ClockConfig | None = None
    log: LogConfig | None = None
    """Without it nothing is logged."""
    charts: ChartsConfig | None = None
    """Without it no stick is read, and no chart is offered."""
    page: OptionalPage = None
    """true, or its keys: a page for browsers on port 80. Without it there is none."""
    access: AccessConfig
    usb: UsbConfig = UsbConfig.model_construct()
    supply: SupplyConfig | None = None
    """Without it `check` calculates nothing about battery, cable and fuse."""
    accepted: dict[str, str] = Field(default={})
    """Warnings of `check` that are known, each with the reason."""

    @property
    def own_pass_phrases(self) -> list[str]:
        """List the tablets that join by a pass-phrase of their own."""
        return [name for name, tablet in self.network.tablets.items() if tablet.own_pass_phrase]

    @cached_property
    def serial_links(self) -> dict[str, LinkConfig]:
        """Return the links that have an adapter."""
        return {name: link for name, link in self.links.items() if isinstance(link, LinkConfig)}

    @cached_property
    def can_links(self) -> dict[str, CanConfig]:
        """Return the links that are CAN interfaces."""
        return {name: link for name, link in self.links.items() if isinstance(link, CanConfig)}
