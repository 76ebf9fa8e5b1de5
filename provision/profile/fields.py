# SPDX-License-Identifier: GPL-3.0-or-later
"""The scalar types of a profile, each refusing what the trade or a standard refuses."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, GetCoreSchemaHandler, PlainSerializer
from pydantic.annotated_handlers import GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema


class Refused(ValueError):
    """A value that is refused, with what to write instead."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.hint = hint


@dataclass(frozen=True)
class Text:
    """A text that `pattern` matches whole.

    `name` says in the error what it should have been, `hint` how that is written.
    """

    pattern: str
    name: str
    hint: str

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self._check, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {**handler(schema), "pattern": f"^({self.pattern})$"}

    def _check(self, value: str) -> str:
        if not re.fullmatch(self.pattern, value):
            raise Refused(f"{value!r} is not {self.name}", self.hint)
        return value


#: RFC 1123: letters, digits and hyphen, at most 63 octets. Lower case only, so that the
#: boat's name, its host name and its file name are one and the same.
HostName = Annotated[
    str,
    Text(
        "[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?",
        "a host name",
        "lower-case letters, digits and inner hyphens, 63 at most (RFC 1123)",
    ),
]

#: A link's name becomes /dev/boat/NAME and stands in rules and file names.
LinkName = Annotated[
    str,
    Text(
        "[a-z][a-z0-9-]{0,30}",
        "a safe name for a link",
        "a lower-case letter, then up to 30 lower-case letters, digits and hyphens",
    ),
]

#: Three letters, or a proprietary P... address (IEC 61162-1).
Formatter = Annotated[
    str,
    Text(
        "[A-Z]{3}|P[A-Z0-9]{3,14}",
        "a sentence formatter",
        "three capital letters without the talker, such as RMC, or a proprietary address "
        "such as PXYZ1 (IEC 61162-1)",
    ),
]

#: Rates that serial adapters and instruments use; 4800 is IEC 61162-1, 38400 IEC 61162-2.
BAUD_RATES = (4800, 9600, 19200, 38400, 57600, 115200)


def _baud(value: Any) -> Any:
    if type(value) is int and value not in BAUD_RATES:
        rates = ", ".join(map(str, BAUD_RATES))
        raise Refused(f"{value} is not a baud rate", f"the rates are {rates}")
    return value


BaudRate = Annotated[int, BeforeValidator(_baud), Field(json_schema_extra={"enum": [*BAUD_RATES]})]


def _interface(value: Any) -> Any:
    try:
        address = ipaddress.IPv4Interface(value) if isinstance(value, str) else None
    except (ipaddress.AddressValueError, ipaddress.NetmaskValueError):
        address = None
    if address is None:
        raise Refused(f"{value!r} is not an IPv4 address", "write it as 10.47.1.1/24")
    if "/" not in value:
        raise Refused(f"{value} names no prefix length", f"write it as {value}/24")
    return address


#: An IPv4 address with its prefix length, such as 10.47.1.1/24.
Interface = Annotated[
    ipaddress.IPv4Interface,
    BeforeValidator(_interface, json_schema_input_type=str),
    PlainSerializer(str, return_type=str),
]

Port = Annotated[int, Field(ge=1, le=65535)]

_SIZE = re.compile(r"(\d{1,6}(?:\.\d{1,3})?)\s*(MB|GB|TB)")
_SCALE = {"MB": 10**6, "GB": 10**9, "TB": 10**12}


def _size(value: Any) -> Any:
    if isinstance(value, str) and (match := _SIZE.fullmatch(value)):
        return round(float(match[1]) * _SCALE[match[2]])
    raise Refused(f"{value!r} is not a size", "write a number and its unit, such as 32 GB")


#: Bytes, written as a number with its unit: `32 GB` (decimal, as on the card's label).
Size = Annotated[int, BeforeValidator(_size, json_schema_input_type=str)]


def _rates(value: Any) -> Any:
    """A list means once a second each; a mapping gives the rate per second."""
    if isinstance(value, list) and all(isinstance(formatter, str) for formatter in value):
        if twice := sorted({formatter for formatter in value if value.count(formatter) > 1}):
            raise Refused(
                f"{', '.join(twice)} stands here twice",
                "a sentence that comes more often has a rate: {HDG: 10}",
            )
        return dict.fromkeys(value, 1.0)
    if not isinstance(value, dict):
        raise Refused(
            "these are no sentences",
            "write a list, such as [RMC, GGA], or the rates, such as {RMC: 1, GGA: 2}",
        )
    return value


#: Sentences with their rate per second.
Sentences = Annotated[
    dict[Formatter, Annotated[float, Field(gt=0, le=100)]],
    BeforeValidator(_rates, json_schema_input_type=list[Formatter] | dict[Formatter, float]),
]

#: A USB path as the kernel names it: bus, then port numbers, such as 1-1.3.
UsbPort = Annotated[
    str,
    Text(
        r"\d{1,3}-\d{1,2}(\.\d{1,2}){0,5}", "a USB path", "as the kernel writes it, such as 1-1.3"
    ),
]

#: What a chip may report; printable ASCII without what udev's patterns give a meaning to.
Serial = Annotated[
    str,
    Text(
        "[A-Za-z0-9._:+-]{1,126}",
        "a serial number",
        "letters, digits and . _ : + - only; match a chip that reports anything else by port",
    ),
]

MacAddress = Annotated[
    str,
    Text(
        "[0-9a-f]{2}(:[0-9a-f]{2}){5}",
        "a hardware address",
        'six pairs of lower-case hex digits in quotes, such as "02:00:00:12:34:56"',
    ),
]

#: ISO 3166-1 alpha-2, in capitals.
Country = Annotated[
    str, Text("[A-Z]{2}", "a country's code", "two capital letters, such as GB (ISO 3166-1)")
]

#: An OpenSSH public key line.
SSH_KEY = (
    r"(ssh-ed25519|ecdsa-sha2-nistp(256|384|521)|ssh-rsa|sk-ssh-ed25519@openssh\.com"
    r"|sk-ecdsa-sha2-nistp256@openssh\.com) [A-Za-z0-9+/]{40,}={0,2}( [\x20-\x7e]*)?"
)

#: An OpenSSH public key line, or the name of a *.pub file beside the profile.
AccessKey = Annotated[
    str,
    Text(
        rf"{SSH_KEY}|[A-Za-z0-9_][A-Za-z0-9._-]*\.pub",
        "an OpenSSH public key",
        "write the line of an id_*.pub file, or the name of a .pub file beside the profile",
    ),
]
