# SPDX-License-Identifier: GPL-3.0-or-later
"""The computer's figures come from the kernel's files, and none is made up."""

from __future__ import annotations

from pathlib import Path

from provision.onboard.watch.facts.computer import Computer
from tests.support.watch.computer import make, write


def test_every_figure_is_read(tmp_path: Path) -> None:
    figures = Computer(make(tmp_path)).figures()
    assert figures["celsius"] == 51
    assert figures["memory"] == 512
    assert (figures["errors"], figures["readonly"], figures["slowed"]) == (0, 0, 0)
    assert figures["overlay"] is not None and 0 <= figures["overlay"] <= 100
    assert figures["data"] is not None and 0 <= figures["data"] <= 100
    assert figures["written"] is None


def test_the_whole_disks_writes_are_counted_from_call_to_call(tmp_path: Path) -> None:
    computer = Computer(make(tmp_path))
    computer.figures()
    write(tmp_path, "sys/devices/virtual/vda/stat", "1 0 8 0 3 0 1200 0 0 0 0\n")
    assert computer.figures()["written"] == 200 * 512 // 1024
    assert computer.figures()["written"] == 0


def test_a_failing_card_is_seen(tmp_path: Path) -> None:
    computer = Computer(make(tmp_path))
    write(tmp_path, "sys/fs/ext4/vda4/errors_count", "7\n")
    mount = "36 25 254:4 / /data ro - ext4 /dev/vda4 ro,errors=remount-ro\n"
    write(tmp_path, "proc/self/mountinfo", mount)
    figures = computer.figures()
    assert (figures["errors"], figures["readonly"]) == (7, 1)


def test_heat_that_slows_the_processor_is_told_from_a_fan(tmp_path: Path) -> None:
    computer = Computer(make(tmp_path))
    assert computer.figures()["slowed"] == 0
    write(tmp_path, "sys/class/thermal/cooling_device0/cur_state", "2\n")
    assert computer.figures()["slowed"] == 1


def test_the_supply_is_asked_of_the_boards_own_driver_alone(tmp_path: Path) -> None:
    make(tmp_path)
    write(tmp_path, "sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n")
    assert Computer(tmp_path, "rpi_volt").supply_is_low() is True
    assert Computer(tmp_path, "other_volt").supply_is_low() is None
    assert Computer(tmp_path).supply_is_low() is None


def test_a_start_after_a_power_cut_is_told_by_the_check_of_its_files(tmp_path: Path) -> None:
    computer = Computer(make(tmp_path))
    assert computer.boot() == "1c4e8a52"
    assert computer.lost_power() is False
    write(tmp_path, "run/boat/fsck.log", "/dev/vda4: recovering journal\n/dev/vda4: clean, 20/1\n")
    assert computer.lost_power() is True
    (tmp_path / "run/boat/fsck.log").unlink()
    assert computer.lost_power() is None


def test_what_is_not_there_is_not_known(tmp_path: Path) -> None:
    figures = Computer(tmp_path).figures()
    known = {name: value for name, value in figures.items() if value is not None}
    assert known.keys() == {"overlay"}


def test_nonsense_in_the_files_is_not_known(tmp_path: Path) -> None:
    make(tmp_path)
    for path in ("sys/class/thermal/thermal_zone0/temp", "sys/class/thermal/thermal_zone1/temp"):
        write(tmp_path, path, "hot\n")
    write(tmp_path, "sys/devices/virtual/vda/stat", "1 2 x\n")
    write(tmp_path, "sys/fs/ext4/vda4/errors_count", "\0\n")
    write(tmp_path, "proc/meminfo", "MemAvailable:\n")
    write(tmp_path, "proc/self/mountinfo", "nothing - \n - ext4\n")
    figures = Computer(tmp_path).figures()
    assert {figures[name] for name in ("celsius", "written", "errors", "memory")} == {None}
    assert figures["readonly"] == 1
