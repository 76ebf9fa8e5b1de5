# SPDX-License-Identifier: GPL-3.0-or-later
"""Define where sentences come from and go to: serial links, CAN interfaces, inputs."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Discriminator, Field, Tag, model_validator

from provision.profile.schema.addresses import Endpoint, Port
from provision.profile.schema.base import Model
from provision.profile.schema.types import (
    BaudRate,
    CanInterface,
    DataKinds,
    Formatter,
    LinkName,
    Milliamps,
    Sentences,
    Serial,
    Talker,
    UsbPort,
    check_unique,
)


class AdapterConfig(Model):
    """A USB-to-serial adapter, identified by its serial number or by its USB socket."""

    serial: Serial | None = None
    """The serial number that the chip reports."""
    interface: Annotated[int, Field(ge=0, le=15)] | None = None
    """Which of a multi-port chip's interfaces, counted from 0."""
    port: UsbPort | None = None
    """The USB path, such as 1-1.3, for a chip without a serial number of its own."""
    receives_only: bool = False
    """Whether it has no transmitter, so that no instrument can listen to it."""
    milliamps: Milliamps | None = None
    """Its largest current, as `lsusb -v` says (MaxPower). Without the key it is 100 mA."""

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.serial is None) == (self.port is None):
            raise ValueError("name the adapter either by serial or by port")
        return self

    @property
    def chip_id(self) -> str:
        """Return the identity of the adapter, without its interface."""
        return f"serial {self.serial}" if self.serial else f"port {self.port}"

    def __str__(self) -> str:
        return (
            self.chip_id if self.interface is None else f"{self.chip_id} interface {self.interface}"
        )


class SentencePattern(Model):
    """Sentences that have everything in common that is named here."""

    talker: Talker | None = None
    formatter: Formatter | None = None
    link: LinkName | None = None
    """The link or input that they come from."""

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not (self.talker or self.formatter or self.link):
            raise ValueError("name a talker, a formatter or a link")
        return self


def _parse_pattern(value: Any) -> Any:
    return {"formatter": value} if isinstance(value, str) else value


#: A formatter alone may be written as it is.
Patterns = list[
    Annotated[
        SentencePattern,
        BeforeValidator(_parse_pattern, json_schema_input_type=Formatter | SentencePattern),
    ]
]


class FilterConfig(Model):
    """The sentences that pass: only these, all but these, or only these without those."""

    only: Annotated[Patterns, Field(min_length=1)] | None = None
    """Formatters, such as VDM, or {talker: GP, formatter: RMC, link: gnss} in any part."""
    but: Patterns = Field(default=[])
    """Formatters, such as GSV, or {talker: GP, formatter: RMC, link: gnss} in any part."""

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.only is None and not self.but:
            raise ValueError("write what passes: only, but, or both")
        return self

    @cached_property
    def only_kinds(self) -> frozenset[tuple[str | None, str | None]] | None:
        """Return the formatters and links of `only`, without the talkers."""
        return frozenset((p.formatter, p.link) for p in self.only) if self.only else None

    @cached_property
    def but_kinds(self) -> frozenset[tuple[str | None, str | None]]:
        """Return the formatters and links that `but` stops of all talkers."""
        return frozenset((p.formatter, p.link) for p in self.but if p.talker is None)


class _SourceConfig(Model):
    """Hold the permissions of a source of sentences."""

    unchecked: bool = False
    """Whether sentences without a checksum are taken. Steering sentences never are."""
    long: bool = False
    """Whether sentences of more than 82 characters are taken (IEC 61162-1)."""
    takes: FilterConfig | None = None
    """Which of its sentences are taken."""


class LinkConfig(_SourceConfig):
    """One serial connection to an instrument."""

    adapter: AdapterConfig
    baud: BaudRate = 4800
    """4800 (IEC 61162-1), 38400 (IEC 61162-2), or what else the instrument is set to."""
    talks: Sentences = Field(default={})
    """What the instrument sends: a list (once a second each) or the rate per second."""
    listens: Sentences = Field(default={})
    """What the instrument is sent: a list (once a second each) or the rate per second."""
    listens_to: (
        Annotated[list[LinkName], Field(min_length=1), AfterValidator(check_unique)] | None
    ) = None
    """Inputs whose sentences it is sent, such as [wind-net]: those that their talks names.

    Nothing else from the boat's network reaches it. Who may steer stands under steering.
    """
    gives: FilterConfig | None = None
    """Which of the sentences that it listens to it is given."""

    @model_validator(mode="after")
    def _used(self) -> Self:
        if not self.talks and not self.listens:
            raise ValueError("this link neither talks nor listens")
        if self.gives and not self.listens:
            raise ValueError("this link listens to nothing that could be given")
        if self.listens_to and not self.listens:
            raise ValueError("this link listens_to inputs, but listens for no sentence")
        return self


class CanConfig(Model):
    """An NMEA 2000 network behind a SocketCAN interface. The boat only listens to it."""

    can: CanInterface
    """The interface's name. It is brought up at 250 kbit/s (ISO 11783-2 / NMEA 2000)."""
    talks: Annotated[DataKinds, Field(min_length=1)]
    """Kinds of data: a list (once a second each at most) or the rate per second."""
    takes: FilterConfig | None = None
    """Which of the sentences made of its data are taken."""


def link_tag(value: Any) -> str:
    """Return the tag of the kind of link that `value` is."""
    return "CAN link" if isinstance(value, CanConfig) or "can" in _keys(value) else "serial link"


def _keys(value: Any) -> Any:
    return value if isinstance(value, dict) else ()


#: What `links` holds.
AnyLink = Annotated[
    Annotated[LinkConfig, Tag("serial link")] | Annotated[CanConfig, Tag("CAN link")],
    Discriminator(link_tag),
]

#: Transmission groups of IEC 61162-450, from memory.
TransmissionGroup = Literal["MISC", "TGTD", "SATD", "NAVD", "VDRD", "RCOM", "TIME", "PROP"]

_TRANSPORTS = ("tcp", "listen", "udp", "multicast")


class InputConfig(_SourceConfig):
    """A source of sentences on the boat's own network."""

    tcp: Endpoint | None = None
    """A server that is read from: its address and port, such as 10.47.2.60:10110."""
    listen: Port | None = None
    """A TCP port of the boat's where others bring sentences."""
    udp: Port | None = None
    """A UDP port of the boat's where others send sentences."""
    multicast: Annotated[list[TransmissionGroup], Field(min_length=1)] | None = None
    """Transmission groups of IEC 61162-450, such as [NAVD, TGTD]."""
    talks: Sentences = Field(default={})
    """What it sends, as far as known: a list (once a second each) or the rate per second."""

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if sum(getattr(self, transport) is not None for transport in _TRANSPORTS) != 1:
            raise ValueError(f"an input comes in one way: {', '.join(_TRANSPORTS)}")
        if self.multicast:
            check_unique(self.multicast)
        return self
