# SPDX-License-Identifier: GPL-3.0-or-later
"""Read what the program aboard says into typed values. Everything has a bound."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from provision.survey.adapters import Adapter
from provision.survey.groups import GroupReport, NetworkReport
from provision.survey.remote.session import Broken
from provision.survey.report import PortReport, Rate

#: Ports, links and groups of one boat. A boat has some dozen of each.
MAX_ITEMS, MAX_GROUPS = 200, 1000

Text = Annotated[str, StringConstraints(max_length=500)]
Number = Annotated[float, Field(ge=0, lt=1e10, allow_inf_nan=False)]
Count = Annotated[int, Field(ge=0, lt=2**63)]


class _Message(BaseModel):
    model_config = ConfigDict(strict=True, extra="ignore", frozen=True)


class AdapterMessage(_Message):
    """An `Adapter`."""

    device: Text
    serial: Text
    port: Text
    interface: int | None
    driver: Text
    vendor: Text
    product: Text
    vendor_name: Text
    product_name: Text

    def adapter(self) -> Adapter:
        """Return it."""
        return Adapter(**self.model_dump())


class LinkState(_Message):
    """What the feed tells of a link, as far as a survey needs it."""

    present: bool = True
    paused: bool = False
    bytes: Count = 0
    sentences: Count = 0
    rates: Annotated[dict[Text, Number], Field(max_length=MAX_ITEMS)] = {}
    last_heard: Number | None = None
    load: Number = 0.0


class LinkMessage(_Message):
    """A serial link of the boat's feed."""

    name: Text
    baud: Count
    adapter: AdapterMessage
    state: LinkState | None
    pilot: Text
    """What a pilot loses while the link is paused. Empty when it loses nothing."""


class Plan(_Message):
    """What there is aboard."""

    adapters: Annotated[list[AdapterMessage], Field(max_length=MAX_ITEMS)]
    others: Annotated[list[AdapterMessage], Field(max_length=MAX_ITEMS)]
    networks: Annotated[list[Text], Field(max_length=MAX_ITEMS)]
    links: Annotated[list[LinkMessage], Field(max_length=MAX_ITEMS)]
    running: Number
    answers: bool
    can_pause: bool
    trial: bool

    @property
    def free(self) -> list[Adapter]:
        """List the adapters that are no link's."""
        return [adapter.adapter() for adapter in self.adapters]

    @property
    def known(self) -> list[Adapter]:
        """List all adapters that are plugged in."""
        taken = [link.adapter for link in self.links]
        return [one.adapter() for one in (*self.adapters, *taken, *self.others)]


class ProgressMessage(_Message):
    """How far a port is."""

    device: Text
    state: Text


class PortMessage(_Message):
    """A `PortReport`, as `--json` has it."""

    device: Text
    baud: Count | None
    inverted: bool
    sentences: Annotated[dict[Text, Number | None], Field(max_length=MAX_ITEMS)]
    spread: Annotated[dict[Text, list[Number]], Field(max_length=MAX_ITEMS)]
    looks_like: Text | None
    noise: bool
    uncertain: bool
    long: bool = False
    error: Text | None
    advice: Annotated[list[Text], Field(max_length=MAX_ITEMS)]

    def report(self, adapter: Adapter) -> PortReport:
        """Return the report of the port of this adapter."""
        return PortReport(
            adapter,
            baud=self.baud,
            inverted=self.inverted,
            sentences={name: self._rate(name, mean) for name, mean in self.sentences.items()},
            looks_like=self.looks_like or "",
            noise=self.noise,
            uncertain=self.uncertain,
            long=self.long,
            error=self.error or "",
            advice=tuple(self.advice),
        )

    def _rate(self, name: str, mean: float | None) -> Rate | None:
        if mean is None:
            return None
        least, most, *_ = [*self.spread.get(name, []), mean, mean]
        return Rate(mean, least, most)


class GroupMessage(_Message):
    """A `GroupReport`."""

    pgn: Annotated[int, Field(ge=0, lt=2**18)]
    source: Annotated[int, Field(ge=0, lt=256)]
    rate: Number | None
    translated: bool


class NetworkMessage(_Message):
    """A `NetworkReport`, as `--json` has it."""

    device: Text
    groups: Annotated[list[GroupMessage], Field(max_length=MAX_GROUPS)]
    error: Text | None

    def report(self) -> NetworkReport:
        """Return it."""
        groups = tuple(GroupReport(**group.model_dump()) for group in self.groups)
        return NetworkReport(self.device, groups, self.error or "")


class ErrorMessage(_Message):
    """Why nothing was surveyed."""

    message: Text
    hint: Text


M = TypeVar("M", bound=_Message)


def read(kind: type[M], message: Mapping[str, Any]) -> M:
    """Read a message. Broken when it has another shape."""
    try:
        return kind.model_validate(message)
    except ValidationError as error:
        where = ".".join(map(str, error.errors()[0]["loc"]))
        raise Broken(f"it sent a {message.get('kind')} that is not understood: {where}") from None
