# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults of what others can reach: the air, the ports, the logins."""

from __future__ import annotations

import shlex
from collections.abc import Iterator

from tests.support.boats import Club, Virtual
from tests.system.faults.fault import fails, until, wanted_otherwise

KEYS = "/etc/ssh/authorized_keys/root"
DOOR = "/etc/ssh/sshd_config"

#: A key that nobody has: its 32 octets are those of the letters of the alphabet and some more.
STRANGER = (
    "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIGFiY2RlZmdoaWprbG1ub3BxcnN0dXZ3eHl6MDEyMzQ1 stranger"
)


def on_air(boat: Virtual) -> str:
    """Return what hostapd reports of the access point."""
    return boat.ask("hostapd_cli -i wlan0 status", check=False)


def radio_again(boat: Virtual) -> None:
    """Put the access point back to what its file says."""
    boat.ask("systemctl restart hostapd")
    until(lambda: "state=ENABLED" in on_air(boat), "the access point")


def kept_aside(boat: Virtual, file: str) -> str:
    """A copy of a file in RAM, from where `put_back` takes it; the last one is put back first."""
    aside = boat.ask("mktemp /run/aside.XXXXXX").strip()
    boat.ask(shlex.join(["cp", "--preserve", file, aside]))
    return aside


def put_back(boat: Virtual, file: str, aside: str) -> None:
    """The file as it was."""
    boat.ask(shlex.join(["cp", "--preserve", aside, file]))


@fails("access_point: enabled")
def radio_switched_off(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("hostapd_cli -i wlan0 disable")
    yield None
    radio_again(boat)


@fails("access_point: ssid")
def another_ssid_on_the_air(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("hostapd_cli -i wlan0 set ssid Lapwing && hostapd_cli -i wlan0 reload")
    until(lambda: "ssid[0]=Lapwing" in on_air(boat), "the other SSID")
    yield None
    radio_again(boat)


@fails("access_point: channel")
def another_channel(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("hostapd_cli -i wlan0 chan_switch 5 2462")
    until(lambda: "channel=11\n" in on_air(boat), "channel 11")
    yield None
    radio_again(boat)


@fails("access_point: country")
def another_country(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("iw reg set FR")
    until(lambda: "country FR:" in boat.ask("iw reg get"), "the other country")
    yield None
    boat.ask("iw reg set GB")
    until(lambda: "country GB:" in boat.ask("iw reg get"), "the boat's country")


@fails("access_point: address")
def another_address(boat: Virtual) -> Iterator[Club | None]:
    """Only the prefix length is wrong, so that the boat still answers."""
    right, wrong = (f"10.47.1.1/{length}" for length in (24, 16))
    replace = "ip address add {} dev boat0 && ip address del {} dev boat0"
    boat.ask(replace.format(wrong, right))
    yield None
    boat.ask(replace.format(right, wrong))


@fails("access_point: own pass phrase [chart-table]")
def tablets_pass_phrase_not_pushed(boat: Virtual) -> Iterator[Club | None]:
    """Want what the boat has not; tests/system/test_who_steers.py breaks a boat that has it."""
    tablet = '{chart-table: {mac: "02:00:00:00:01:00", own_pass_phrase: true}}'
    with wanted_otherwise(boat, "network:\n", f"network:\n  tablets: {tablet}\n") as club:
        yield club


@fails("ports: listening")
def second_listener(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("systemd-run --quiet --unit=second python3 -m http.server 8080")
    until(lambda: ":8080" in boat.ask("ss --no-header -ltn"), "the second listener")
    yield None
    boat.ask("systemctl stop second")


@fails("ports: default is drop")
def everything_let_in(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("nft chain inet boat input '{ policy accept; }'")
    yield None
    boat.ask("systemctl restart nftables")


@fails("ports: rules as written")
def port_opened_by_hand(boat: Virtual) -> Iterator[Club | None]:
    boat.ask("nft add rule inet boat aboard tcp dport 8080 accept")
    yield None
    boat.ask("systemctl restart nftables")


@fails("logins: no password over ssh")
def passwords_over_ssh(boat: Virtual) -> Iterator[Club | None]:
    aside = kept_aside(boat, DOOR)
    boat.ask(f"sed -i 's/^PasswordAuthentication no/PasswordAuthentication yes/' {DOOR}")
    yield None
    put_back(boat, DOOR, aside)


@fails("logins: no password is set")
def password_set(boat: Virtual) -> Iterator[Club | None]:
    aside = kept_aside(boat, "/etc/shadow")
    boat.ask("echo root:barnacle | chpasswd")
    yield None
    put_back(boat, "/etc/shadow", aside)


@fails("logins: no password is set")
def empty_password(boat: Virtual) -> Iterator[Club | None]:
    aside = kept_aside(boat, "/etc/shadow")
    boat.ask("passwd --quiet --delete games")
    yield None
    put_back(boat, "/etc/shadow", aside)


@fails("logins: keys")
def stranger_let_in(boat: Virtual) -> Iterator[Club | None]:
    aside = kept_aside(boat, KEYS)
    boat.ask(f"echo '{STRANGER}' >> {KEYS}")
    yield None
    put_back(boat, KEYS, aside)


@fails("charts: lists charts [8080]", "charts: reads sticks [8080]", alone=True)
def charts_not_there(boat: Virtual) -> Iterator[Club | None]:
    """Ask for charts in the profile, since this boat has none; see tests/system/test_page.py."""
    with wanted_otherwise(boat, "links:\n", "charts: {}\nlinks:\n") as club:
        yield club


@fails(
    "page: shows this boat [10.47.1.1]",
    "page: takes nothing [10.47.1.1]",
    alone=True,
)
def page_not_there(boat: Virtual) -> Iterator[Club | None]:
    """Ask for a page in the profile, since this boat has none; see tests/system/test_page.py."""
    with wanted_otherwise(boat, "links:\n", "page: true\nlinks:\n") as club:
        yield club
