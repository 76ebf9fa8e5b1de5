# SPDX-License-Identifier: GPL-3.0-or-later
"""Define outputs, preferred sources, steering, clock and voyage log of a profile."""

from __future__ import annotations

from typing import Annotated, Any, Self

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    field_validator,
    model_validator,
)

from provision.profile.schema.addresses import NMEA_PORT, Port, UdpDestinations, parse_endpoint
from provision.profile.schema.base import Model
from provision.profile.schema.links import FilterConfig
from provision.profile.schema.types import (
    Duration,
    Formatter,
    HostName,
    InvalidValue,
    LinkName,
    Size,
    check_unique,
)

Sources = Annotated[list[LinkName], Field(min_length=1), AfterValidator(check_unique)]

#: Sentences that have both date and time (IEC 61162-1).
DATED_FORMATTERS = ("RMC", "ZDA")

_DAY_S = 86400.0


def _check_positive(value: float) -> float:
    if not 1 <= value <= 3600:
        raise InvalidValue(f"{value:g} s is out of range", "from 1 s to 1 h")
    return value


Silence = Annotated[Duration, AfterValidator(_check_positive)]


class PreferConfig(Model):
    """The links and inputs to believe for each kind of data, the best first.

    Other sources come after the named ones. AIS targets of all sources pass.
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
    def sources_by_kind(self) -> dict[str, list[str]]:
        """Return the sources by kind of data, for those kinds that have an order."""
        kinds = (name for name in type(self).model_fields if name not in ("silence", "steady"))
        return {kind: sources for kind in kinds if (sources := getattr(self, kind))}

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.sources_by_kind:
            raise InvalidValue("no kind of data has an order", "such as position: [gnss, gnss-2]")
        return self


def _parse_output(value: Any) -> Any:
    if value in ("tcp", "udp", "multicast"):
        return value
    try:
        return parse_endpoint(value, NMEA_PORT)
    except InvalidValue:
        hint = "tcp, udp, multicast, or a host that feed.udp lists"
        raise InvalidValue(f"{value} is no output", hint) from None


Output = Annotated[str, BeforeValidator(_parse_output, json_schema_input_type=str)]


class FeedConfig(Model):
    """The outputs of the feed."""

    # The number is from memory.
    tcp: Port = NMEA_PORT
    """The TCP port where clients read the feed (IANA: nmea-0183)."""
    udp: UdpDestinations = NMEA_PORT
    """The port of a broadcast on the boat's own network, a list of hosts, or null for none.

    What came from that network is not broadcast there again. TCP has it.
    """
    multicast: bool = False
    """Whether the boat's own network carries multicast as of IEC 61162-450.

    What came from that network is not sent there again. TCP has it.
    """
    gives: dict[Output, FilterConfig] = Field(default={})
    """Which sentences go where: by tcp, udp, multicast or a host that udp lists."""
    prefer: PreferConfig | None = None
    """Which source to believe. Without it the sentences of all sources pass."""

    @field_validator("gives", mode="before")
    @classmethod
    def _each_once(cls, value: Any) -> Any:
        if isinstance(value, dict):
            # A host is one with its usual port and without.
            check_unique([key if ":" in str(key) else f"{key}:{NMEA_PORT}" for key in value])
        return value


class SteeringConfig(Model):
    """The senders that may steer from the network or by another link."""

    link: LinkName
    """The link that the autopilot is on."""
    senders: Annotated[
        list[HostName], Field(alias="from", min_length=1), AfterValidator(check_unique)
    ]
    """Tablets and links that may steer, one at a time."""
    sentences: Annotated[list[Formatter], Field(min_length=1), AfterValidator(check_unique)]
    """The steering sentences that pass, such as [APB, RMB, XTE]."""


class ClockConfig(Model):
    """The sources of the time. Without this key, all links that send the date."""

    sources: Annotated[Sources, Field(alias="from")]
    """Serial links that talk RMC or ZDA."""


class LogConfig(Model):
    """The voyage log: all sentences heard, in daily files on the data partition."""

    keep: Duration = 30 * _DAY_S
    """How many days on which something was logged are kept, such as 30 days."""
    cap: Size = 2 * 10**9
    """How large all files together may grow, such as 2 GB."""

    @field_validator("keep")
    @classmethod
    def _days(cls, value: float) -> float:
        if value % _DAY_S or not 1 <= value / _DAY_S <= 10000:
            raise InvalidValue("the log is kept for whole days", "from 1 day to 10000 days")
        return value

    @field_validator("cap")
    @classmethod
    def _useful(cls, value: int) -> int:
        if value < 10**7:
            raise InvalidValue(f"a log of {value / 10**6:g} MB is too small", "at least 10 MB")
        return value
