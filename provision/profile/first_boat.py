# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the profile of a first boat, of which only what a person knows is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter, ValidationError

from provision.errors import UserError
from provision.profile.access_keys import OPERATOR
from provision.profile.schema.boat import MAX_SSID_OCTETS
from provision.profile.schema.types import CanInterface, HostName, Serial, UsbPort
from provision.profile.yaml.render import flow
from provision.profile.yaml.tree import Plain

#: The first network that boats get, see NETWORKS in provision/survey/draft/club.py.
ADDRESS = "10.47.1.1/24"

#: Allowed nearly everywhere, and what a profile has without the key (IEEE Std 802.11).
CHANNEL = 6

#: The usual sentences of a GNSS receiver (common practice).
SENTENCES = ("RMC", "GGA", "VTG")


@dataclass(frozen=True)
class FirstBoat:
    """Hold the answers to the questions that matter."""

    name: str
    board: str
    country: str
    """As ISO 3166-1 alpha-2."""
    ssid: str
    gnss: str
    """Where the GNSS receiver is plugged in: a serial number, a USB path or a CAN interface."""


def check_name(name: str) -> None:
    """Raise UserError when `name` can be no boat's."""
    try:
        TypeAdapter(HostName).validate_python(name)
    except ValidationError as error:
        cause = error.errors()[0]["ctx"]["error"]
        raise UserError(str(cause), hint=getattr(cause, "hint", "")) from None


def name_wifi(boat: str) -> str:
    """Return the usual name of a boat's Wi-Fi: the boat's, in words, as long as an SSID may be."""
    return boat.replace("-", " ").title()[:MAX_SSID_OCTETS].strip()


def first_link(plug: str) -> tuple[str, dict[str, Plain]]:
    """Return the name and the value of the link of a GNSS receiver that is plugged in at `plug`.

    Raise UserError when `plug` is no serial number, USB path or CAN interface.
    """
    if _is(CanInterface, plug):
        return "backbone", {"can": plug, "talks": ["position", "time"]}
    key = "port" if _is(UsbPort, plug) else "serial"
    if key == "serial" and not _is(Serial, plug):
        raise UserError(
            f"{plug!r} is no serial number, USB socket or CAN interface",
            hint="`provision survey` names them; such as KW-GNSS-01, 1-1.2 or can0",
        )
    return "gnss", {"adapter": {key: plug}, "baud": 4800, "talks": [*SENTENCES]}


def _is(kind: Any, text: str) -> bool:
    try:
        TypeAdapter(kind).validate_python(text)
    except ValidationError:
        return False
    return True


def compose(boat: FirstBoat, file: str) -> str:
    """Write the text of the profile. `file` is how a command names the boat."""
    name, link = first_link(boat.gnss)
    point: dict[str, Plain] = {"ssid": boat.ssid, "country": boat.country, "channel": CHANNEL}
    lines = [
        f"# {boat.name}, as `provision init` was told. `provision schema` names all keys.",
        f"boat: {boat.name}",
        f"board: {boat.board}",
        "network:",
        "  # The boat's own network: its computer has this address. Any private one will do.",
        f"  address: {ADDRESS}",
        f"  # Channel {CHANNEL} is allowed nearly everywhere.",
        f"  access_point: {flow(point)}",
        "links:",
        f"  # To do: {_guess(name)}. Plug the adapters into this computer, switch the",
        "  # instruments on, and let the survey correct this link and add the others:",
        # A line feed in the name of a folder would end the comment.
        f"  #   provision survey --into {file if file.isprintable() else boat.name}",
        "  # By hand: talks is what an instrument sends, listens what it is sent. Such as",
        "  #   depth-log: {adapter: {serial: ABC-2}, baud: 4800, talks: {DPT: 2, VHW: 1}}",
        "  #   autopilot: {adapter: {port: 1-1.3}, baud: 4800, listens: [APB, RMB, XTE]}",
        f"  {name}: {flow(link)}",
        f"# Who may log in: `provision keys` makes this first key, {OPERATOR}.",
        f"access: {{keys: [{OPERATOR}.pub]}}",
    ]
    return "".join(f"{line}\n" for line in lines)


def _guess(link: str) -> str:
    if link == "backbone":
        return "position and time are guessed"
    return "baud rate and sentences are guessed"
