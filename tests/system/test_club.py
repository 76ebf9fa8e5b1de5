# SPDX-License-Identifier: GPL-3.0-or-later
"""A club of 24 boats, three of them switched off and two that cannot be proven.

Every boat has namespaces of its own, its own address and host name, a real sshd with the
settings' own configuration and keys, and the real program aboard over a private RAM overlay.
What is not real are its units: whatever the program asks of systemd, udev and networkd is left
undone, and of the suite only those files run that ask nothing of them. The laptop runs the
`provision` command in another namespace, as an operator does.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import pytest

from tests.support.push.netns_fleet import BOATS, Done, NetnsFleet, netns_fleet, profile

OFF = ("curlew", "pintail", "teal")
UNPROVEN = ("fulmar", "ruff")
WRONG = "wryneck"

#: Whose settings change a second time; one is off, and one cannot be proven.
AGAIN = BOATS[:6]
OTHERS = tuple(name for name in BOATS if name not in (*OFF, *UNPROVEN))

#: What no boat of ours has, and the suite does not let pass.
LOGIN = "printf 'guest:$y$j9T$abc$def:19000:0:99999:7:::\\n' >>/etc/shadow"

DAY = 86400.0

#: Seconds that a boat gets to answer a connection (OpenSSH's ConnectTimeout).
CONNECT = 10


@dataclass(frozen=True)
class Season:
    """Holds what happened, in order: digests of settings by boat, and how the commands ended."""

    at_first: dict[str, str]
    wanted: dict[str, str]
    standing: Done
    pushed: Done
    after: dict[str, dict[str, Any]]
    fleet: Done
    fleet_json: Done
    again: dict[str, str]
    pushed_json: Done
    """With one profile more in the folder that is none."""


def digests(club: NetnsFleet) -> dict[str, str]:
    """Return what the profiles ask for now."""
    return {name: club.open_boat(name).render().sha256 for name in BOATS}


def change(club: NetnsFleet, names: Sequence[str], word: str) -> dict[str, str]:
    """Another SSID for these boats; the digests that are wanted from now on."""
    for name in names:
        club.change(name, f"{name} {word}", "network", "access_point", "ssid")
    return digests(club)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Season]:
    profiles = {name: profile(name, number) for number, name in enumerate(BOATS)}
    with netns_fleet(tmp_path_factory.mktemp("club"), profiles) as club:
        at_first = digests(club)
        club.switch_on(BOATS)
        standing = club.provision("fleet")
        club.switch_off(OFF)
        club.seen(OFF, 3 * DAY)
        for name in UNPROVEN:
            club.aboard(name, "sh", "-c", LOGIN)
        wanted = change(club, BOATS, "two")
        pushed = club.provision("push", "--all", "--at-once", "24")
        up = [name for name in BOATS if name not in OFF]
        after = {
            name: json.loads(club.aboard(name, "boat-settings", "status", "--json")) for name in up
        }
        with ThreadPoolExecutor() as pool:
            asked = pool.submit(club.provision, "fleet", "--json")
            fleet, fleet_json = club.provision("fleet"), asked.result()
        again = change(club, AGAIN, "three")
        club.file(WRONG).write_text("boat: [\n")
        pushed_json = club.provision("push", "--all", "--at-once", "24", "--json")
        yield Season(
            at_first, wanted, standing, pushed, after, fleet, fleet_json, again, pushed_json
        )


def rows(done: Done) -> dict[str, str]:
    """Return the table's rows by boat, with single blanks; what stands below them is left out."""
    table, _, _ = done.output.partition("\n\n")
    lines = [line for line in table.splitlines() if not line.startswith(" ")]
    head, *lines = (" ".join(line.split()) for line in lines)
    assert head.startswith("boat ")
    found = dict(line.partition(" ")[::2] for line in lines)
    assert tuple(found) == BOATS, done.output
    return found


def by_boat(done: Done) -> dict[str, dict[str, Any]]:
    """Return what `--json` printed; nothing else is on standard output."""
    return {one["boat"]: one for one in json.loads(done.output)["boats"]}


def test_all_are_as_wanted_at_first(season: Season) -> None:
    """Every boat answers at its own address with its own key, and none needs a push."""
    assert season.standing.status == 0, season.standing
    for name, row in rows(season.standing).items():
        assert row == f"healthy {season.at_first[name][:12]} up to date now"


def test_the_table_and_the_status_of_a_push(season: Season) -> None:
    assert season.pushed.status == 1, season.pushed.errors
    _, _, below = season.pushed.output.partition("\n\n")
    reasons = dict(line.partition(": ")[::2] for line in below.splitlines() if line[:1] != " ")
    for name, row in rows(season.pushed).items():
        if name in OFF:
            assert row.startswith("unreachable "), row
        elif name in UNPROVEN:
            assert row.startswith("rolled back "), row
            assert "logins: no password is set" in reasons[name]
        else:
            assert row.startswith("kept "), row


def test_who_is_kept_and_who_is_back(season: Season) -> None:
    """The boats' own status says so, read without the laptop."""
    for name, status in season.after.items():
        digest = season.at_first[name] if name in UNPROVEN else season.wanted[name]
        assert (status["live"], status["kept"], status["trial"]) == (digest, digest, None), name
        assert status["drift"] == [], name


def test_how_the_fleet_stands(season: Season) -> None:
    assert season.fleet.status == 1
    for name, row in rows(season.fleet).items():
        if name in OFF:
            kept = season.at_first[name][:12]
            assert row.startswith(f"no answer {kept} to push 3 d ago"), row
        elif name in UNPROVEN:
            assert row == f"healthy {season.at_first[name][:12]} 1 file differs now", row
        else:
            assert row == f"healthy {season.wanted[name][:12]} up to date now", row


def test_the_fleet_is_asked_in_parallel(season: Season) -> None:
    """Three boats that do not answer take no longer than one."""
    assert CONNECT <= season.fleet.seconds < 2 * CONNECT


def test_the_fleet_as_json(season: Season) -> None:
    assert season.fleet_json.status == 1
    found = by_boat(season.fleet_json)
    assert tuple(found) == BOATS
    for name, one in found.items():
        assert one["wanted"] == season.wanted[name]
        assert one["reachable"] == (name not in OFF)
        assert one["due"] == (name not in OTHERS)
        assert one["ok"] == (name in OTHERS)


def test_a_push_as_json(season: Season) -> None:
    """Healthy boats take the next change, and the others stay as they were.

    That a profile cannot be read is told, and is no other boat's business.
    """
    assert season.pushed_json.status == 1
    found = by_boat(season.pushed_json)
    assert tuple(found) == (*BOATS, WRONG)
    wrong = found.pop(WRONG)
    assert (wrong["outcome"], wrong["ok"]) == ("refused", False)
    assert "wryneck.yml:" in wrong["reason"]
    for name, one in found.items():
        assert one["sha256"] == season.again[name]
        if name in OFF:
            assert (one["outcome"], one["ok"]) == ("unreachable", False)
        elif name in UNPROVEN:
            assert (one["outcome"], one["ok"], one["step"]) == ("rolled-back", False, "prove")
        elif name in AGAIN:
            assert (one["outcome"], one["ok"]) == ("kept", True), one
            assert one["changed"] == ["/etc/hostapd/boat.conf"]
        else:
            assert (one["outcome"], one["ok"], one["changed"]) == ("unchanged", True, []), one
