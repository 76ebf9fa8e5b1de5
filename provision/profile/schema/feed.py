# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the sentences go, which of them are believed, and what else is made of them."""

from __future__ import annotations

from typing import Annotated, Any, Self

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    field_validator,
    model_validator,
)

from provision.profile.schema.addresses import NMEA_PORT, Datagrams, Port, endpoint
from provision.profile.schema.base import Model
from provision.profile.schema.links import Filter
from provision.profile.schema.types import (
    Duration,
    Formatter,
    HostName,
    LinkName,
    Refused,
    Size,
    once,
)

Sources = Annotated[list[LinkName], Field(min_length=1), AfterValidator(once)]

#: Sentences that have both date and time (IEC 61162-1).
DATED = ("RMC", "ZDA")

_DAY = 86400.0


def _some_time(value: float) -> float:
    if not 1 <= value <= 3600:
        raise Refused(f"{value:g} s is out of range", "from 1 s to 1 h")
    return value


Silence = Annotated[Duration, AfterValidator(_some_time)]


class Prefer(Model):
    """For each kind of data the links and inputs to believe, the best first.

    Others come behind those that are named; AIS targets of all pass.
    """

    position: Sources | None = None
    """With course and speed over ground."""
    heading: Sources | None = None
    depth: Sources | None = None
    wind: Sources | None = None
    speed: Sources | None = None
    """Through the water."""
    temperature: Sources | None = None
    time: Sources | None = None
    silence: Silence = 10.0
    """How long the believed one may be silent before the next takes over, such as 10 s."""
    steady: Silence = 10.0
    """How long a lost one must be heard again before it takes over, such as 10 s."""

    @property
    def order(self) -> dict[str, list[str]]:
        """The sources by kind of data, of those kinds that have an order."""
        kinds = (name for name in type(self).model_fields if name not in ("silence", "steady"))
        return {kind: sources for kind in kinds if (sources := getattr(self, kind))}

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.order:
            raise Refused("no kind of data has an order", "such as position: [gnss, gnss-2]")
        return self


def _output(value: Any) -> Any:
    if value in ("tcp", "udp", "multicast"):
        return value
    try:
        return endpoint(value, NMEA_PORT)
    except Refused:
        hint = "tcp, udp, multicast, or a host that feed.udp lists"
        raise Refused(f"{value} is no output", hint) from None


Output = Annotated[str, BeforeValidator(_output, json_schema_input_type=str)]


class Feed(Model):
    """Where the sentences go."""

    tcp: Port = NMEA_PORT
    """The TCP port where clients read the feed (IANA: nmea-0183, from memory)."""
    udp: Datagrams = NMEA_PORT
    """The port of a broadcast on the boat's own network, a list of hosts, or null for none.

    What came from that network is not broadcast there again; TCP has it.
    """
    multicast: bool = False
    """Whether the boat's own network carries multicast as of IEC 61162-450.

    What came from that network is not sent there again; TCP has it.
    """
    gives: dict[Output, Filter] = Field(default={})
    """Which sentences go where: by tcp, udp, multicast or a host that udp lists."""
    prefer: Prefer | None = None
    """Which source to believe; without it the sentences of all pass."""

    @field_validator("gives", mode="before")
    @classmethod
    def _each_once(cls, value: Any) -> Any:
        if isinstance(value, dict):
            # A host is one with its usual port and without.
            once([key if ":" in str(key) else f"{key}:{NMEA_PORT}" for key in value])
        return value


class Steering(Model):
    """Who may steer from the network, or by a link that is not the autopilot's own."""

    link: LinkName
    """The link that the autopilot is on."""
    senders: Annotated[list[HostName], Field(alias="from", min_length=1), AfterValidator(once)]
    """Tablets and links that may steer; one at a time does."""
    sentences: Annotated[list[Formatter], Field(min_length=1), AfterValidator(once)]
    """The steering sentences that pass, such as [APB, RMB, XTE]."""


class Clock(Model):
    """Where the time comes from; without it from all links that tell the date."""

    sources: Annotated[Sources, Field(alias="from")]
    """Serial links that talk RMC or ZDA."""


class Log(Model):
    """The voyage log: everything heard, in daily files on the data partition."""

    keep: Duration = 30 * _DAY
    """How many days on which something was logged are kept, such as 30 days."""
    cap: Size = 2 * 10**9
    """How large all files together may grow, such as 2 GB."""

    @field_validator("keep")
    @classmethod
    def _days(cls, value: float) -> float:
        if value % _DAY or not 1 <= value / _DAY <= 10000:
            raise Refused("the log is kept for whole days", "from 1 day to 10000 days")
        return value

    @field_validator("cap")
    @classmethod
    def _useful(cls, value: int) -> int:
        if value < 10**7:
            raise Refused(f"a log of {value / 10**6:g} MB is none", "10 MB at least")
        return value
