# SPDX-License-Identifier: GPL-3.0-or-later
"""The computer's health, from files that every user may read."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.onboard.page.facts.health import Health, _takes_writes, read_health


def write(root: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        file = root / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text)


def test_a_computer_that_tells_nothing(tmp_path: Path) -> None:
    assert read_health(tmp_path) == Health()


def test_what_the_kernel_and_the_boot_tell(tmp_path: Path) -> None:
    write(
        tmp_path,
        {
            "sys/class/hwmon/hwmon0/name": "cpu_thermal\n",
            "sys/class/hwmon/hwmon1/name": "rpi_volt\n",
            "sys/class/hwmon/hwmon1/in0_lcrit_alarm": "1\n",
            "sys/class/thermal/thermal_zone0/temp": "41500\n",
            "sys/class/thermal/thermal_zone1/temp": "54321\n",
            "proc/meminfo": "MemTotal: 900000 kB\nMemAvailable:   400000 kB\n",
            "sys/fs/ext4/vda4/errors_count": "2\n",
            "run/boat/trial.json": "{}",
            "run/boat/settings.json": '{"degraded": true, "reason": "damaged"}',
        },
    )
    assert read_health(tmp_path) == Health(
        undervoltage=True,
        celsius=54.321,
        memory_available=400000 * 1024,
        card_errors=2,
        on_trial=True,
        degraded=True,
        reason="damaged",
    )


def test_a_folder_without_a_partition_is_no_card(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    assert read_health(tmp_path).card_writable is False


def test_unreadable_files_are_unknown(tmp_path: Path) -> None:
    write(
        tmp_path,
        {"sys/class/thermal/thermal_zone0/temp": "hot", "run/boat/settings.json": "[[["},
    )
    assert read_health(tmp_path) == Health()


#: A service with ProtectSystem=strict sees all mounts read-only. The file system's own options
#: follow the last hyphen (proc(5)).
MOUNTS = """\
22 1 0:21 / / ro,relatime - overlay overlay rw,lowerdir=/base
30 22 254:4 / /data ro,nosuid,nodev,noexec - ext4 /dev/vda4 {options}
31 22 0:30 / /dev rw,nosuid - tmpfs tmpfs rw
"""


@pytest.mark.parametrize(
    ("options", "takes"), [("rw,errors=remount-ro", True), ("ro,errors=remount-ro", False)]
)
def test_the_file_systems_own_options_say_if_it_takes_writes(
    tmp_path: Path, options: str, takes: bool
) -> None:
    mounts = tmp_path / "mountinfo"
    mounts.write_text(MOUNTS.format(options=options))
    assert _takes_writes(mounts, "/data") is takes


def test_a_partition_that_is_not_mounted_takes_no_writes(tmp_path: Path) -> None:
    mounts = tmp_path / "mountinfo"
    mounts.write_text(MOUNTS.format(options="rw"))
    assert _takes_writes(mounts, "/boot") is False
    assert _takes_writes(tmp_path / "none", "/data") is False
