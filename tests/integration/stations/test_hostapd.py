# SPDX-License-Identifier: GPL-3.0-or-later
"""hostapd itself takes the rendered file, and answers boat-stations."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision.onboard.stations.hostapd import Hostapd
from provision.render import File, render
from tests.support import programs
from tests.support.render_rig import SECRETS, boat

MAC = "02:00:00:12:34:56"


@pytest.fixture
def psk_file(tmp_path: Path) -> Path:
    """Give the rendered file of a boat with a tablet that has its own pass-phrase."""
    tablets = {"mast": {"mac": MAC, "own_pass_phrase": True}}
    entry = render(boat(tmp_path, network={"tablets": tablets}), SECRETS).files[
        "/etc/hostapd/boat.psk"
    ]
    assert isinstance(entry, File)
    file = tmp_path / "boat.psk"
    file.write_bytes(entry.content)
    return file


@contextmanager
def real_hostapd(folder: Path, psk_file: Path) -> Iterator[Path]:
    """hostapd without a radio; the folder of its control interface."""
    conf = folder / "boat.conf"
    conf.write_text(
        f"interface=lo\ndriver=none\nctrl_interface={folder}/control\nssid2=4b\nwpa=2\n"
        f"wpa_key_mgmt=WPA-PSK\nrsn_pairwise=CCMP\nwpa_psk_file={psk_file}\n"
    )
    command = [*programs.command("sbin/hostapd"), str(conf)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            for line in process.stdout:
                if "AP-ENABLED" in line:
                    break
            yield folder / "control" / "lo"
        finally:
            process.terminate()


def reloaded(path: Path) -> subprocess.CompletedProcess[str]:
    command = ["-m", "provision.onboard.stations", "--reload", "--hostapd", str(path)]
    return subprocess.run([sys.executable, *command], capture_output=True, text=True, check=False)


def test_hostapd_takes_the_rendered_file_and_refuses_a_spoilt_one(
    tmp_path: Path, psk_file: Path
) -> None:
    with real_hostapd(tmp_path, psk_file) as path:
        assert reloaded(path).returncode == 0
        right = psk_file.read_text()
        for spoilt in (right + "00:00:00:00:00:00 short\n", right.replace("mast", "m" * 32)):
            psk_file.write_text(spoilt)
            done = reloaded(path)
            assert done.returncode == 1
            assert "hostapd did not take the pass-phrases" in done.stderr
        psk_file.write_text(right)
        assert reloaded(path).returncode == 0
    assert reloaded(path).returncode == 1


def test_hostapd_answers_about_a_station_and_sends_events(tmp_path: Path, psk_file: Path) -> None:
    with real_hostapd(tmp_path, psk_file) as path:
        asked = Hostapd(str(path))
        try:
            assert asked.query_station(MAC).joined is False
            # A station that hostapd knows, and that has proven nothing.
            assert asked.request(f"NEW_STA {MAC}") == "OK"
            assert asked.request(f"STA {MAC}").startswith(f"{MAC}\nflags=")
            assert asked.query_station(MAC).joined is False
        finally:
            asked.close()
