# SPDX-License-Identifier: GPL-3.0-or-later
"""The right units start aboard, and a changed file causes the right actions."""

from __future__ import annotations

import configparser
import json
import re
from collections.abc import Iterator
from fnmatch import fnmatchcase

import pytest

from provision.render import File, Settings, Symlink
from tests.support.render_rig import BOATS, Render, text

UNITS = "/etc/systemd/system"

#: Read afresh by whoever needs them, or at boot only.
READ_WHEN_NEEDED = {
    "/etc/boat/manifest.json",
    "/etc/hosts",
    "/etc/machine-id",
    "/etc/motd",
    "/etc/resolv.conf",
    "/etc/ssh/authorized_keys/root",
}


def wanted(settings: Settings) -> Iterator[tuple[str, str, str]]:
    """Target, unit and the link's end, of all that starts at boot."""
    for path, entry in settings.files.items():
        if isinstance(entry, Symlink) and ".wants/" in path:
            target, _, unit = path.removeprefix(f"{UNITS}/").partition(".wants/")
            yield target, unit, entry.target


@pytest.mark.parametrize("boat", BOATS)
def test_what_starts_is_there_and_says_so_itself(rendered: Render, boat: str) -> None:
    settings = rendered(**BOATS[boat])
    ours = set()
    for target, unit, end in wanted(settings):
        assert end.endswith(f"/{unit}")
        assert not isinstance(settings.files.get(f"{UNITS}/{unit}"), Symlink), f"{unit} is masked"
        if end.startswith(UNITS):
            ours.add(end)
            parser = configparser.ConfigParser(strict=False, interpolation=None)
            parser.optionxform = str  # type: ignore[assignment,method-assign]
            parser.read_string(text(settings, end))
            assert target in parser["Install"]["WantedBy"].split()
        else:
            assert end.startswith("/usr/lib/systemd/system/")
    own = [
        path
        for path, entry in settings.files.items()
        if isinstance(entry, File) and path.startswith(UNITS) and path.count("/") == 4
    ]
    started = {f"{end.removesuffix('.socket')}.service" for end in ours if end.endswith(".socket")}
    rules = [text(settings, path) for path in settings.files if path.endswith(".rules")]
    for template in re.findall(r'SYSTEMD_WANTS}\+="([a-z-]+@)%k\.service"', "".join(rules)):
        started.add(f"{UNITS}/{template}.service")
        # What the unit requires starts with it.
        unit = text(settings, f"{UNITS}/{template}.service")
        needs = re.findall(r"^Requires=([a-z-]+@)%i\.service$", unit, re.MULTILINE)
        started |= {f"{UNITS}/{need}.service" for need in needs}
    assert ours == set(own) - started


def test_names_are_looked_up_ashore_only_with_an_uplink(rendered: Render) -> None:
    def resolved(settings: Settings) -> bool:
        return "systemd-resolved.service" in {unit for _, unit, _ in wanted(settings)}

    assert not resolved(rendered())
    assert resolved(rendered(network={"wired": "shore"}))


@pytest.mark.parametrize("boat", BOATS)
def test_nothing_waits_for_a_network(rendered: Render, boat: str) -> None:
    settings = rendered(**BOATS[boat])
    for path, entry in settings.files.items():
        if isinstance(entry, File) and path.startswith("/etc/systemd/system/"):
            assert b"network-online" not in entry.content
    assert settings.files[f"{UNITS}/systemd-networkd-wait-online.service"] == Symlink("/dev/null")


def test_no_unit_asks_for_a_password(rendered: Render) -> None:
    settings = rendered()
    for getty in ("getty@", "serial-getty@", "console-getty", "container-getty@"):
        assert settings.files[f"{UNITS}/{getty}.service"] == Symlink("/dev/null")


@pytest.mark.parametrize("boat", BOATS)
def test_every_file_takes_effect_when_it_changes(rendered: Render, boat: str) -> None:
    settings = rendered(**BOATS[boat])
    entries = json.loads(text(settings, "/etc/boat/manifest.json"))["reload"]
    globs = [glob for entry in entries for glob in entry["paths"]]
    for path, entry in settings.files.items():
        if isinstance(entry, File) and path not in READ_WHEN_NEEDED:
            assert any(fnmatchcase(path, glob) for glob in globs), path


def test_no_reload_waits_for_a_file_that_no_boat_has(rendered: Render) -> None:
    boats = [rendered(**changes) for changes in BOATS.values()]
    paths = {path for settings in boats for path in settings.files}
    for entry in json.loads(text(boats[0], "/etc/boat/manifest.json"))["reload"]:
        for glob in entry["paths"]:
            known = any(fnmatchcase(path, glob) for path in paths)
            assert known or glob.startswith(f"{UNITS}/"), f"{glob} names no file"


@pytest.mark.parametrize("boat", BOATS)
def test_each_service_starts_again_when_its_own_unit_changes(rendered: Render, boat: str) -> None:
    settings = rendered(**BOATS[boat])
    entries = json.loads(text(settings, "/etc/boat/manifest.json"))["reload"]
    for _, unit, end in wanted(settings):
        if end.startswith(UNITS):
            restarts = [e for e in entries if e.get("unit") == unit and e["action"] == "restart"]
            assert len(restarts) == 1
            assert any(fnmatchcase(end, glob) for glob in restarts[0]["paths"])


def test_another_pass_phrase_for_one_tablet_restarts_nothing(rendered: Render) -> None:
    """hostapd reads its file again, and all others stay joined."""
    entries = json.loads(text(rendered(**BOATS["full"]), "/etc/boat/manifest.json"))["reload"]
    acted = [
        (entry["action"], entry.get("unit"))
        for entry in entries
        if any(fnmatchcase("/etc/hostapd/boat.psk", glob) for glob in entry["paths"])
    ]
    assert acted == [("reload", "hostapd.service")]


def test_the_order_is_that_of_dependence(rendered: Render) -> None:
    entries = json.loads(text(rendered(), "/etc/boat/manifest.json"))["reload"]
    order = [entry.get("unit", entry["action"]) for entry in entries]
    assert order[0] == "daemon-reload"
    for before, after in (
        ("nftables.service", "networkd"),
        ("networkd", "hostapd.service"),
        ("networkd", "dnsmasq.service"),
        ("udev", "boat-feed.service"),
        ("chrony.service", "boat-feed.service"),
    ):
        assert order.index(before) < order.index(after)
