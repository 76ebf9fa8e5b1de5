# SPDX-License-Identifier: GPL-3.0-or-later
"""Define addresses, ports and hosts as a profile writes them."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer

from provision.profile.schema.types import InvalidValue, Text, check_unique, describe_value

_ADDRESS = r"([0-9]{1,3}\.){3}[0-9]{1,3}"
_INTERFACE = f"{_ADDRESS}/[0-9]{{1,2}}"


def _parse_interface(value: Any) -> Any:
    text = value if isinstance(value, str) else ""
    if re.fullmatch(_ADDRESS, text):
        raise InvalidValue(f"{text} names no prefix length", f"write it as {text}/24")
    try:
        # ipaddress would take a netmask too, and text that only looks like one.
        if re.fullmatch(_INTERFACE, text):
            return ipaddress.IPv4Interface(text)
    except (ipaddress.AddressValueError, ipaddress.NetmaskValueError):
        pass
    raise InvalidValue(
        f"{describe_value(value)} is not an IPv4 address with its prefix length",
        "write it as 10.47.1.1/24",
    )


#: An IPv4 address with its prefix length, such as 10.47.1.1/24.
Interface = Annotated[
    ipaddress.IPv4Interface,
    BeforeValidator(
        _parse_interface, json_schema_input_type=Annotated[str, Field(pattern=f"^{_INTERFACE}$")]
    ),
    PlainSerializer(str, return_type=str),
]

Port = Annotated[int, Field(ge=1, le=65535)]

#: Tablets show it in capitals, with colons or with hyphens. It is kept as the kernel writes it. The
#: lowest bit of the first octet marks a group's address (IEEE Std 802).
MacAddress = Annotated[
    str,
    Text(
        "[0-9A-Fa-f][02468ACEace]((:[0-9A-Fa-f]{2}){5}|(-[0-9A-Fa-f]{2}){5})",
        "a device's hardware address",
        'six pairs of hex digits in quotes, as the device shows them: "02:00:00:12:34:56"',
    ),
    AfterValidator(lambda value: value.lower().replace("-", ":")),
]

_LIMITED_BROADCAST = ipaddress.IPv4Address("255.255.255.255")

#: IANA service name registry, nmea-0183, from memory.
NMEA_PORT = 10110


def parse_endpoint(value: Any, default: int | None = None) -> str:
    """Return ADDRESS:PORT of a host. Add the port `default` where a host has none."""
    example = f"write it as 10.47.2.60:{NMEA_PORT}"
    text = value if isinstance(value, str) else ""
    address, _, port = text.rpartition(":") if ":" in text or default is None else (text, "", "")
    try:
        host = ipaddress.IPv4Address(address)
    except ipaddress.AddressValueError:
        raise InvalidValue(
            f"{describe_value(value)} is not an IPv4 address and a port",
            f"{example}; aboard no names are looked up",
        ) from None
    if host.is_multicast or host.is_unspecified or host.is_loopback or host == _LIMITED_BROADCAST:
        raise InvalidValue(f"{host} is not the address of a device", example)
    if not port and default is not None:
        return f"{host}:{default}"
    if not re.fullmatch("[1-9][0-9]{0,4}", port) or int(port) > 65535:
        raise InvalidValue(f"{port!r} is not a port", example)
    return f"{host}:{port}"


#: A host and its port, such as 10.47.2.60:10110.
Endpoint = Annotated[
    str,
    BeforeValidator(
        parse_endpoint, json_schema_input_type=Annotated[str, Field(pattern=f"^{_ADDRESS}:[0-9]+$")]
    ),
]

_Host = Annotated[str, Field(pattern=f"^{_ADDRESS}(:[0-9]+)?$")]


def _parse_udp_destinations(value: Any) -> Any:
    if isinstance(value, list):
        if not value:
            raise InvalidValue("no host is named", "write null for no UDP at all")
        return check_unique([parse_endpoint(item, NMEA_PORT) for item in value])
    if value is None or (type(value) is int and 1 <= value <= 65535):
        return value
    raise InvalidValue(
        f"{describe_value(value)} is neither a port nor a list of hosts",
        f"write {NMEA_PORT} for a broadcast, a list such as [10.47.2.60], or null for none",
    )


#: The port of a broadcast, a list of hosts (each as ADDRESS:PORT), or None.
UdpDestinations = Annotated[
    int | list[str] | None,
    BeforeValidator(_parse_udp_destinations, json_schema_input_type=Port | list[_Host] | None),
]
