# SPDX-License-Identifier: GPL-3.0-or-later
"""The scalar types of a profile, each refusing what the trade or a standard refuses."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, PlainSerializer, StringConstraints

#: RFC 1123: letters, digits and hyphen, at most 63 octets. Lower case only, so that the
#: boat's name, its host name and its file name are one and the same.
HostName = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$")]

#: A link's name becomes /dev/boat/NAME and stands in rules and file names.
LinkName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9-]{0,30}$")]

#: Three letters, or a proprietary P... address (IEC 61162-1).
Formatter = Annotated[str, StringConstraints(pattern=r"^([A-Z]{3}|P[A-Z0-9]{3,})$")]

#: Rates that serial adapters and instruments use; 4800 is IEC 61162-1, 38400 IEC 61162-2.
BAUD_RATES = (4800, 9600, 19200, 38400, 57600, 115200)


def _baud(value: Any) -> Any:
    if value not in BAUD_RATES or isinstance(value, bool):
        rates = ", ".join(map(str, BAUD_RATES))
        raise ValueError(f"{value} is not a baud rate; the rates are {rates}")
    return value


BaudRate = Annotated[int, BeforeValidator(_baud), Field(json_schema_extra={"enum": [*BAUD_RATES]})]


def _interface(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    if "/" not in value:
        raise ValueError(f"{value} names no prefix length; write it as {value}/24")
    return ipaddress.IPv4Interface(value)


#: An IPv4 address with its prefix length, such as 10.47.1.1/24.
Interface = Annotated[
    ipaddress.IPv4Interface,
    BeforeValidator(_interface, json_schema_input_type=str),
    PlainSerializer(str, return_type=str),
]

Port = Annotated[int, Field(ge=1, le=65535)]

_SIZE = re.compile(r"^(\d+(?:\.\d+)?)\s*(MB|GB|TB)$")
_SCALE = {"MB": 10**6, "GB": 10**9, "TB": 10**12}


def _size(value: Any) -> Any:
    if isinstance(value, str) and (match := _SIZE.match(value)):
        return int(float(match[1]) * _SCALE[match[2]])
    raise ValueError(f"{value!r} is not a size; write a number and its unit, such as 32 GB")


#: Bytes, written as a number with its unit: `32 GB` (decimal, as on the card's label).
Size = Annotated[int, BeforeValidator(_size, json_schema_input_type=str)]


def _rates(value: Any) -> Any:
    """A list means once a second each; a mapping gives the rate per second."""
    if isinstance(value, list):
        if len(set(map(str, value))) != len(value):
            raise ValueError("a sentence stands here twice")
        return {formatter: 1.0 for formatter in value}
    return value


#: Sentences with their rate per second.
Sentences = Annotated[
    dict[Formatter, Annotated[float, Field(gt=0, le=100)]],
    BeforeValidator(
        _rates, json_schema_input_type=list[Formatter] | dict[Formatter, float]
    ),
]

#: A USB path as the kernel names it: bus, then port numbers, such as 1-1.3.
UsbPort = Annotated[str, StringConstraints(pattern=r"^\d+-\d+(\.\d+)*$")]

#: What a chip may report; printable ASCII without what udev's patterns give a meaning to.
Serial = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9._:+-]{1,126}$")]

MacAddress = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{2}(:[0-9a-f]{2}){5}$")]
