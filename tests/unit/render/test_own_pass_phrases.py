# SPDX-License-Identifier: GPL-3.0-or-later
"""Files for a tablet's own pass-phrase are rendered where a tablet has one, and only there."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from provision.errors import UserError
from provision.profile.secrets.store import Secrets
from provision.push.dry_run import secret_values
from provision.push.query.diff import write_diff
from provision.render import File, OpenBoat, Settings, render
from tests.support.render_rig import SECRETS, Render, boat, text

PSK_FILE = "/etc/hostapd/boat.psk"

#: PSK test vectors of IEEE Std 802.11; the same are in tests/unit/profile/test_secrets.py.
OURS = ("password", "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e")
TABLETS = {
    "chart-table": {"mac": "02:00:00:12:34:56", "own_pass_phrase": True},
    "galley": {"mac": "02:00:00:12:34:58"},
    "mast": {"mac": "02:00:00:12:34:57", "own_pass_phrase": True},
}
NETWORK: dict[str, Any] = {
    "access_point": {"ssid": "IEEE", "country": "GB", "channel": 6},
    "tablets": TABLETS,
}


def test_the_boats_own_line_is_the_last_one(tmp_path: Path) -> None:
    """hostapd 2.10 finds the last line first, and takes it for a station's until it has proven
    another: were it a tablet's, a guest would have that keyid for a moment."""
    secrets = Secrets(
        pass_phrase="another one",
        host_key=SECRETS.host_key,
        own_pass_phrases={"chart-table": OURS[0], "mast": "quite another", "gone": "left over"},
    )
    settings = render(boat(tmp_path, network=NETWORK), secrets)
    lines = [line for line in text(settings, PSK_FILE).splitlines() if not line.startswith("#")]
    assert lines[0] == f"keyid=chart-table 02:00:00:12:34:56 {OURS[1]}"
    assert [line.split()[:-1] for line in lines] == [
        ["keyid=chart-table", "02:00:00:12:34:56"],
        ["keyid=mast", "02:00:00:12:34:57"],
        ["00:00:00:00:00:00"],
    ]
    assert max(map(len, lines)) < 127, "hostapd reads lines of 127 characters"
    entry = settings.files[PSK_FILE]
    assert isinstance(entry, File) and entry.mode == 0o600
    assert "\nwpa_psk=" not in text(settings, "/etc/hostapd/boat.conf")


def test_without_one_nothing_is_different(rendered: Render) -> None:
    settings = rendered(network={"tablets": {"galley": TABLETS["galley"]}})
    assert PSK_FILE not in settings.files
    assert not any("boat-stations" in path for path in settings.files)
    assert "\nwpa_psk=" in text(settings, "/etc/hostapd/boat.conf")
    assert "ExecReload" not in text(settings, "/etc/systemd/system/hostapd.service")


def test_a_tablet_whose_pass_phrase_was_not_made_is_named(tmp_path: Path) -> None:
    secrets = SECRETS.model_copy(update={"own_pass_phrases": {"mast": "canary up a mast"}})
    with pytest.raises(UserError) as caught:
        render(boat(tmp_path, network=NETWORK), secrets)
    assert caught.value.message == "chart-table has no pass-phrase of its own yet"
    assert caught.value.hint == f"provision keys {tmp_path}/kittiwake.yml"


def test_the_feed_knows_which_pass_phrase_steers(rendered: Render) -> None:
    steering = {"link": "pilot", "from": ["chart-table", "galley"], "sentences": ["APB"]}
    pilot = {"adapter": {"serial": "A3"}, "listens": ["APB"]}
    feed = json.loads(
        text(
            rendered(network=NETWORK, links={"pilot": pilot}, steering=steering),
            "/etc/boat/feed.json",
        )
    )
    senders = feed["steering"]["from"]
    assert senders["chart-table"]["keyid"] == "chart-table"
    assert "keyid" not in senders["galley"]


def test_a_dry_run_shows_none_of_them(tmp_path: Path) -> None:
    one = boat(tmp_path, network=NETWORK)
    changed = {"own_pass_phrases": {**SECRETS.own_pass_phrases, "mast": "canary on a yard"}}
    rotated = SECRETS.model_copy(update=changed)
    before, after = render(one, SECRETS), render(one, rotated)
    known = [each for kept in (SECRETS, rotated) for each in secret_values(OpenBoat(one, kept))]
    shown = write_diff([PSK_FILE], before.files, after.files, secret_values(OpenBoat(one, rotated)))
    assert "-keyid=mast 02:00:00:12:34:57 <secret" in shown
    assert "+keyid=mast 02:00:00:12:34:57 <secret" in shown
    assert "chart-table" not in "".join(line for line in shown.splitlines() if line[:1] in "+-")
    assert len(known) == 2 * 7
    assert not any(each in shown for each in known)
    assert only_changed(before, after) == {PSK_FILE}


def only_changed(before: Settings, after: Settings) -> set[str]:
    """Return the files that differ, the manifest that lists them left out."""
    return {
        path
        for path in {*before.files, *after.files}
        if before.files.get(path) != after.files.get(path)
    } - {"/etc/boat/manifest.json"}


def test_hostapds_folder_belongs_to_the_group_that_may_ask(rendered: Render) -> None:
    """systemd resets the folder to the unit's own group before each command of the unit."""
    settings = rendered(network=NETWORK)
    units = "/etc/systemd/system"
    hostapd = text(settings, f"{units}/hostapd.service").splitlines()
    stations = text(settings, f"{units}/boat-stations.service").splitlines()
    assert "ctrl_interface_group=dip" in text(settings, "/etc/hostapd/boat.conf").splitlines()
    assert "Group=dip" in hostapd and "SupplementaryGroups=dip" in stations
    # The feed itself is not in it.
    assert "dip" not in text(settings, f"{units}/boat-feed.service")
