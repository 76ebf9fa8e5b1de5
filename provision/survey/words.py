# SPDX-License-Identifier: GPL-3.0-or-later
"""Write USB sockets in words, and say what to do about adapters."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from pydantic import TypeAdapter, ValidationError

from provision.profile.schema.types import Serial
from provision.survey.adapters import Adapter
from provision.survey.report import PortReport

_SERIAL = TypeAdapter[str](Serial)

_ORDINALS = "first second third fourth fifth sixth seventh eighth ninth tenth".split()


def _ordinal(number: int) -> str:
    return _ORDINALS[number - 1] if 0 < number <= len(_ORDINALS) else f"{number}th"


def hub_of(port: str) -> str:
    """Return the USB path of the hub that a socket belongs to. Empty for the computer's own."""
    return port.rpartition(".")[0]


def socket_in_words(port: str, hubs: Iterable[str] = ()) -> str:
    """Write the USB path of a socket in words. `hubs` are the paths of all hubs with adapters.

    The numbers are the kernel's. The print on a hub may count in another order.

    >>> socket_in_words("1-1.2", ["1-1"]), socket_in_words("1-2")
    ('hub, second socket', 'computer, second socket')
    >>> socket_in_words("1-1.4.3", ["1-1", "1-1.4"])
    "hub (in computer's first socket) > its fourth socket > its third socket"
    """
    bus, _, path = port.partition("-")
    numbers = [int(part) for part in path.split(".") if part.isdigit()]
    if not numbers:
        return ""
    if len(numbers) == 1:
        return f"computer, {_ordinal(numbers[0])} socket"
    if len(numbers) == 2 and set(hubs) <= {hub_of(port)}:
        return f"hub, {_ordinal(numbers[1])} socket"
    rest = "".join(f" > its {_ordinal(number)} socket" for number in numbers[1:])
    same = {hub.partition("-")[0] for hub in hubs} <= {bus}
    where = "" if same else f" of bus {bus}"
    return f"hub (in computer's {_ordinal(numbers[0])} socket{where}){rest}"


def twins(adapter: Adapter, known: Sequence[Adapter]) -> list[Adapter]:
    """Return the other adapters with this one's serial number, or with none as this one."""
    return [
        other
        for other in known
        if other.port
        and other.port != adapter.port
        and other.serial == adapter.serial
        and (adapter.serial or (other.vendor, other.product) == (adapter.vendor, adapter.product))
    ]


def with_advice(
    reports: Iterable[PortReport], known: Sequence[Adapter], *, aboard: bool = False
) -> list[PortReport]:
    """Add to each report how its adapter is to be named. `known` are all that are plugged in.

    `aboard` says that the sockets are those of the boat's computer.
    """
    return [
        replace(report, advice=(*report.advice, *advise(report.adapter, known, aboard=aboard)))
        for report in reports
    ]


def advise(adapter: Adapter, known: Sequence[Adapter], *, aboard: bool = False) -> list[str]:
    """Say why an adapter has to be named by its socket, if so. `known` are all adapters."""
    if not adapter.port:
        return []
    socket = _by_port(adapter, known, aboard=aboard)
    others = ", ".join(other.device for other in twins(adapter, known))
    if not adapter.serial:
        like = f", and {others} is of the same kind" if others else ""
        return [f"its chip has no serial number{like}: {socket}"]
    if others:
        return [f"it has the same serial number as {others}: {socket}"]
    if not is_nameable(adapter.serial):
        return [f"no profile can name its serial number: {socket}"]
    return []


def is_nameable(serial: str) -> bool:
    """Report whether a profile takes a serial number."""
    try:
        _SERIAL.validate_python(serial)
    except ValidationError:
        return False
    return True


def is_one_of_several(adapter: Adapter, known: Sequence[Adapter]) -> bool:
    """Report whether an adapter is one of several ports of a chip, told apart by interface."""
    return adapter.interface is not None and any(
        other.port == adapter.port and other.interface != adapter.interface for other in known
    )


def _by_port(adapter: Adapter, known: Sequence[Adapter], *, aboard: bool) -> str:
    hubs = {hub_of(other.port) for other in known if hub_of(other.port)}
    more = f", interface {adapter.interface}" if is_one_of_several(adapter, known) else ""
    socket = f"label its socket ({socket_in_words(adapter.port, hubs)}) and name it by port"
    if aboard:
        return f"{socket}, {adapter.port}{more}"
    number = f"{adapter.port}{more}; the boat's computer may number its sockets otherwise"
    return f"{socket}, here {number}"
