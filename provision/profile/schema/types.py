# SPDX-License-Identifier: GPL-3.0-or-later
"""Define the scalar types of a profile. Each refuses what the trade or a standard refuses."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, GetCoreSchemaHandler
from pydantic.annotated_handlers import GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from provision.onboard.feed.config.types import BAUD_RATES
from provision.profile.schema import device_names


class InvalidValue(ValueError):
    """Refuse a value, and say what to write instead."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.hint = hint


def describe_value(value: object) -> str:
    """Name a value in the words of an error message."""
    match value:
        case dict():
            return "a group of keys"
        case list():
            return "a list"
        case None:
            return "nothing"
        case bool():
            return str(value).lower()
    return repr(value)


@dataclass(frozen=True)
class Text:
    """Validate text that `pattern` matches whole.

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
            raise InvalidValue(f"{value!r} is not {self.name}", self.hint)
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

#: IEC 61162-1: a start bit, 8 data bits, no parity, a stop bit.
BITS_PER_CHARACTER = 10


def _check_baud(value: Any) -> Any:
    if type(value) is int and value not in BAUD_RATES:
        rates = ", ".join(map(str, BAUD_RATES))
        raise InvalidValue(f"{value} is not a baud rate", f"the rates are {rates}")
    return value


BaudRate = Annotated[
    int, BeforeValidator(_check_baud), Field(json_schema_extra={"enum": [*BAUD_RATES]})
]


#: Current of a USB device in mA.
Milliamps = Annotated[int, Field(ge=1, le=5000)]

_BYTES = {"MB": 10**6, "GB": 10**9, "TB": 10**12}
_SECONDS = {"s": 1, "min": 60, "h": 3600, "day": 86400, "days": 86400}


@dataclass(frozen=True)
class Quantity:
    """Read a number with a unit of `scale` as a count of the smallest unit.

    `name` says in the error what it should have been, `example` how that is written.
    """

    scale: Mapping[str, int]
    name: str
    example: str

    @property
    def pattern(self) -> str:
        """Return the regular expression of a number and its unit."""
        return rf"([0-9]{{1,6}}(?:\.[0-9]{{1,3}})?) *({'|'.join(self.scale)})"

    def read(self, value: Any) -> float:
        """Return the value as a plain number."""
        if isinstance(value, str) and (match := re.fullmatch(self.pattern, value)):
            return float(match[1]) * self.scale[match[2]]
        hint = f"write a number and its unit, such as {self.example}"
        raise InvalidValue(f"{describe_value(value)} is not {self.name}", hint)


_SIZE = Quantity(_BYTES, "a size", "32 GB")
_DURATION = Quantity(_SECONDS, "a duration", "10 s, 5 min, 2 h or 30 days")

#: Bytes, written as a number with its unit: `32 GB` (decimal, as on the card's label).
Size = Annotated[
    int,
    BeforeValidator(
        lambda value: round(_SIZE.read(value)),
        json_schema_input_type=Annotated[str, Field(pattern=f"^{_SIZE.pattern}$")],
    ),
]

#: Seconds, written as a number with its unit: `10 s`.
Duration = Annotated[
    float,
    BeforeValidator(
        _DURATION.read,
        json_schema_input_type=Annotated[str, Field(pattern=f"^{_DURATION.pattern}$")],
    ),
]


def check_unique(value: list[Any]) -> list[Any]:
    """Return the list. Raise ValueError if an entry is in it twice."""
    for item, times in Counter(value).items():
        if times > 1:
            raise InvalidValue(f"{item} stands here twice", "name it once")
    return value


@dataclass(frozen=True)
class Rates:
    """Read a list (once a second each) or a mapping of rates per second."""

    name: str
    listed: str
    rated: str

    def read(self, value: Any) -> Any:
        """Return the mapping."""
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            if twice := sorted(item for item, times in Counter(value).items() if times > 1):
                raise InvalidValue(
                    f"{', '.join(twice)} stands here twice",
                    f"what comes more often has a rate: {self.rated}",
                )
            return dict.fromkeys(value, 1.0)
        if not isinstance(value, dict):
            raise InvalidValue(
                f"these are no {self.name}",
                f"write a list, such as {self.listed}, or the rates, such as {self.rated}",
            )
        return value


Rate = Annotated[float, Field(ge=0.001, le=100)]

#: Sentences with their rate per second.
Sentences = Annotated[
    dict[Formatter, Rate],
    BeforeValidator(
        Rates("sentences", "[RMC, GGA]", "{RMC: 1, HDG: 10}").read,
        json_schema_input_type=list[Formatter] | dict[Formatter, Rate],
    ),
]

#: Kinds of data that an NMEA 2000 network is heard for; position comes with course and
#: speed over ground, heading with the rate of turn. speed is that through the water, temperature
#: the sea's, weather the air's temperature and pressure. Of ais all reports pass, at any rate.
DataKind = Literal[
    "position", "heading", "depth", "wind", "speed", "time", "temperature", "weather", "ais"
]

#: Kinds of data with how often a second each is heard at most.
DataKinds = Annotated[
    dict[DataKind, Rate],
    BeforeValidator(
        Rates("kinds of data", "[heading, depth]", "{heading: 10, depth: 1}").read,
        json_schema_input_type=list[DataKind] | dict[DataKind, Rate],
    ),
]

#: Two capital letters, or P for all that is proprietary (IEC 61162-1).
Talker = Annotated[
    str, Text("[A-Z]{2}|P", "a talker", "two capital letters, such as GP, or P for proprietary")
]

#: A SocketCAN interface as the kernel names it. vcan is its stand-in without a bus.
CanInterface = Annotated[
    str, Text("v?can[0-9]{1,2}", "a CAN interface", "as the kernel names it, such as can0")
]

_USB_PORT = r"[0-9]{1,3}-[0-9]{1,2}(\.[0-9]{1,2}){0,5}"
_SERIAL = "[A-Za-z0-9._:+-]{1,126}"


def _no_device(value: str) -> str:
    if found := device_names.explain(value):
        raise InvalidValue(*found)
    return value


def _no_serial(value: str) -> str:
    """Refuse a text for a socket that can only be a serial number or a device's name."""
    _no_device(value)
    if not re.fullmatch(_USB_PORT, value) and re.fullmatch(_SERIAL, value):
        raise InvalidValue(
            f"{value!r} is not a USB path, which is written such as 1-1.3",
            f"if it is the serial number of the chip, write serial: {value}",
        )
    return value


#: A USB path as the kernel names it: bus, then port numbers, such as 1-1.3.
UsbPort = Annotated[
    str,
    AfterValidator(_no_serial),
    Text(
        _USB_PORT,
        "a USB path",
        "as the kernel writes it, such as 1-1.3",
    ),
]

#: What a chip may report: printable ASCII without the special characters of udev's patterns.
Serial = Annotated[
    str,
    AfterValidator(_no_device),
    Text(
        _SERIAL,
        "a serial number",
        "letters, digits and . _ : + - only; match a chip that reports anything else by port",
    ),
]

#: ISO 3166-1 alpha-2, in capitals.
Country = Annotated[
    str, Text("[A-Z]{2}", "a country's code", "two capital letters, such as GB (ISO 3166-1)")
]

#: An OpenSSH public key line.
SSH_KEY = (
    r"(ssh-ed25519|ecdsa-sha2-nistp(256|384|521)|ssh-rsa|sk-ssh-ed25519@openssh\.com"
    r"|sk-ecdsa-sha2-nistp256@openssh\.com) [A-Za-z0-9+/]{40,}={0,2}( [^\x00-\x1f\x7f]*)?"
)


#: Bits of an RSA key that the boat lets in: RequiredRSASize in its sshd_config. From memory: 112
#: bits of security (NIST SP 800-57).
MIN_RSA_BITS = 2048


def is_public_key(line: str) -> bool:
    """Tell if a line is a whole OpenSSH public key of a type that the boat accepts."""
    # Here, so that only who reads a profile waits for it.
    from cryptography.exceptions import UnsupportedAlgorithm  # noqa: PLC0415
    from cryptography.hazmat.primitives.serialization import (  # noqa: PLC0415
        load_ssh_public_key,
    )

    if not re.fullmatch(SSH_KEY, line) or not line.isprintable():
        return False
    try:
        key = load_ssh_public_key(line.encode())
    except (ValueError, UnsupportedAlgorithm):
        return False
    # Of all kinds only RSA's can be too short: the others' sizes are fixed by their names.
    return not line.startswith("ssh-rsa") or getattr(key, "key_size", 0) >= MIN_RSA_BITS


def _whole(value: str) -> str:
    if " " in value and not is_public_key(value):
        raise InvalidValue(
            "this is no whole OpenSSH public key, or an RSA key below 2048 bits",
            "copy the line of an id_*.pub file; ssh-keygen -t ed25519 makes a new one",
        )
    return value


#: An OpenSSH public key line, or the name of a *.pub file beside the profile.
AccessKey = Annotated[
    str,
    Text(
        rf"{SSH_KEY}|[A-Za-z0-9_][A-Za-z0-9._-]*\.pub",
        "an OpenSSH public key",
        "write the line of an id_*.pub file, or the name of a .pub file beside the profile",
    ),
    AfterValidator(_whole),
]
