# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask what a new boat's file needs and no instrument tells, where no option has answered."""

from __future__ import annotations

import sys
from collections.abc import Callable

from provision.cli.terminal.confirm import choose
from provision.errors import UserError
from provision.harmless import harmless

#: What a question is answered with where the GNSS receiver's adapter is not known yet: the
#: computer's first socket.
FIRST_SOCKET = "1-1"


def ask_boat(name: str | None) -> str:
    """Return the boat's name. Raise UserError when it cannot be one."""
    from provision.profile.first_boat import check_name

    if name is None:
        name = choose("What is the boat called, such as tern", _objection(check_name))
    if not name:
        raise UserError("no boat is named", hint="give --boat NAME, such as tern")
    check_name(name)
    return name


def ask_board(name: str | None) -> str:
    """Return the id of the board that is the boat's computer. Raise UserError when none is named.

    The boards to choose from are printed above the question.
    """
    from provision import boards

    if name is None:
        for one in boards.names():
            print(f"  {one}  {boards.board(one).description}", file=sys.stderr)
        name = choose("Which board is the boat's computer", _objection(boards.board))
    if not name:
        raise UserError("no board is named", hint=f"give --board ID: {', '.join(boards.names())}")
    return boards.board(name).id


def ask_country(country: str | None) -> str:
    """Return the code of the country whose rules the radio obeys. Raise UserError for no code."""
    from provision.profile.schema.boat import AccessPointConfig

    refuse = _objection(
        lambda code: AccessPointConfig(ssid="x", country=code), "is not a country's code"
    )
    if country is None:
        country = choose("In which country is the boat (two letters, such as GB)", refuse)
    if not country:
        raise UserError("no country is named", hint="give --country CC, such as GB (ISO 3166-1)")
    if objection := refuse(country):
        raise UserError(objection, hint="two letters of ISO 3166-1, such as GB")
    return country


def ask_wifi(ssid: str | None, boat: str, *, ask: bool) -> str:
    """Return the name of the boat's Wi-Fi. Unless asked, it is the boat's."""
    from provision.profile.first_boat import name_wifi
    from provision.profile.schema.boat import AccessPointConfig

    refuse = _objection(
        lambda name: AccessPointConfig(ssid=name, country="GB"), "is no name for a Wi-Fi"
    )
    if ssid is None:
        usual = name_wifi(boat)
        ssid = choose("What is the boat's Wi-Fi called", refuse, usual) if ask else usual
    if objection := refuse(ssid):
        raise UserError(objection, hint="give --wifi a name of 1 to 32 octets")
    return ssid


def ask_gnss(plug: str | None, *, ask: bool) -> str:
    """Return where the GNSS receiver is plugged in. Unless asked, it is the first socket.

    The adapters that are plugged into this computer are printed above the question.
    """
    from provision.profile.first_boat import first_link

    if plug is None and ask:
        _show_adapters()
        question = "GNSS receiver: its adapter's serial number, a USB socket, or can0"
        plug = choose(question, _objection(first_link), FIRST_SOCKET)
    plug = plug or FIRST_SOCKET
    first_link(plug)
    return plug


def _show_adapters() -> None:
    from provision.survey.adapters import find_adapters

    for adapter in find_adapters():
        if adapter.port:
            known = adapter.serial or f"no serial number, socket {adapter.port}"
            print(harmless(f"  {known}  {adapter.name or adapter.device}"), file=sys.stderr)


def _objection(check: Callable[[str], object], said: str = "") -> Callable[[str], str]:
    """Return a function that says what is wrong about an answer, or nothing.

    `said` follows the answer where the models refuse it.
    """

    def refuse(answer: str) -> str:
        try:
            check(answer)
        except UserError as error:
            return f"{error.message}: {error.hint}"
        except ValueError:
            return f"{answer!r} {said}"
        return ""

    return refuse
