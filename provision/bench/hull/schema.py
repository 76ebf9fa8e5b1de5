# SPDX-License-Identifier: GPL-3.0-or-later
"""Define a hull: the boat's adapters, and what the instruments on their wires really say."""

from __future__ import annotations

import termios
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, model_validator

from provision.profile.schema.base import Model
from provision.profile.schema.types import (
    CanInterface,
    DataKinds,
    Duration,
    HostName,
    InvalidValue,
    LinkName,
    Sentences,
    Serial,
    UsbPort,
)


def _check_rate(value: Any) -> Any:
    if type(value) is int and not hasattr(termios, f"B{value}"):
        raise InvalidValue(f"{value} is not a baud rate", "an instrument has 4800 or 38400, mostly")
    return value


Share = Annotated[float, Field(ge=0, lt=1)]

Hexadecimal = Annotated[str, Field(pattern="^[0-9a-f]{4}$")]


class Gaps(Model):
    """When an instrument is silent, again and again."""

    every: Duration
    """From the beginning of one gap to the next."""
    lasts: Duration
    """How long a gap lasts."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.lasts >= self.every:
            raise ValueError("a gap lasts less than the time to the next gap")
        return self


class HullInstrument(Model):
    """One instrument on a wire."""

    baud: Annotated[int, BeforeValidator(_check_rate)] = 4800
    """The baud rate that the instrument is set to."""
    talks: Sentences = Field(default={})
    """What it sends: a list (once a second each) or the rate per second."""
    wander: Share = 0.0
    """By which share the time between two sentences varies, such as 0.2."""
    burst: Annotated[int, Field(ge=1, le=20)] = 1
    """How many periods' sentences it sends at once."""
    gaps: Gaps | None = None
    """When it is silent, again and again."""
    checksums: bool = True
    """Whether its sentences have a checksum."""
    garbled: Share = 0.0
    """Which share of its bytes is replaced by any byte, such as 0.01."""
    binary: Annotated[float, Field(ge=0, le=20)] = 0.0
    """How many messages of a binary protocol it sends a second."""
    powered: bool = True
    """Whether it is switched on at the start."""

    @property
    def is_talker(self) -> bool:
        """Tell if it ever sends anything."""
        return bool(self.talks or self.binary)


class HullAdapter(Model):
    """A USB-to-serial adapter, and the wire on it."""

    serial: Serial | None = None
    """The serial number that the chip reports."""
    port: UsbPort | None = None
    """The USB path of the socket that it is in, such as 1-1.3. Any free socket without it."""
    interface: Annotated[int, Field(ge=0, le=15)] | None = None
    """Which of a multi-port chip's interfaces, counted from 0. The bench has no such chip."""
    vendor: Hexadecimal = "0403"
    """The vendor's number of the USB device. The bench has 0403 alone."""
    product: Hexadecimal = "6001"
    """The product's number of the USB device. The bench has 6001 alone."""
    driver: str = "ftdi_sio"
    """The kernel's driver. The bench has devices of ftdi_sio alone."""
    inverted: bool = False
    """Whether the two wires of its instruments are exchanged."""
    noise: bool = False
    """Whether the wire picks up noise."""
    instruments: list[HullInstrument] = Field(default=[])
    """What is on the wire. Without one it is silent."""

    @property
    def is_emulated(self) -> bool:
        """Tell if the emulator has such an adapter."""
        return self.interface is None and (self.vendor, self.product, self.driver) == (
            "0403",
            "6001",
            "ftdi_sio",
        )


class HullNetwork(Model):
    """An NMEA 2000 network behind a SocketCAN interface."""

    can: CanInterface
    """The interface's name."""
    talks: DataKinds = Field(default={})
    """Kinds of data: a list (once a second each) or the rate per second."""


class Hull(Model):
    """The boat as it is, apart from its profile."""

    boat: HostName
    """The name of the boat."""
    adapters: dict[LinkName, HullAdapter] = Field(default={})
    """What is plugged in. The names are for the bench's commands alone."""
    networks: dict[LinkName, HullNetwork] = Field(default={})
    """Networks of NMEA 2000."""

    @model_validator(mode="after")
    def _distinct(self) -> Self:
        if twice := sorted(self.adapters.keys() & self.networks.keys()):
            raise ValueError(f"{', '.join(twice)} names an adapter and a network")
        return self

    def voices(self, adapter: str) -> dict[str, HullInstrument]:
        """Return the instruments of an adapter, by NAME of the adapter, then NAME.2 and so on."""
        return {
            adapter if number == 1 else f"{adapter}.{number}": instrument
            for number, instrument in enumerate(self.adapters[adapter].instruments, start=1)
        }
