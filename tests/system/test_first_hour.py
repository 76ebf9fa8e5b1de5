# SPDX-License-Identifier: GPL-3.0-or-later
"""From an empty folder to a verified boat, whose wires nobody knows, without editing a file.

The adapters are plugged into the laptop first, and into the boat later. What is on their wires is
drawn at random.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any

import pytest
import yaml

from provision.bench.hull.schema import Hull
from tests.support.random_hull import draw
from tests.support.usb_box import plugged_in

COMMAND = [sys.executable, "-m", "provision"]
BOAT = "redshank"


def provision(*words: str | Path, cwd: Path) -> str:
    """Run a command, which has to succeed. Return what it prints."""
    done = subprocess.run(
        [*COMMAND, *map(str, words)], cwd=cwd, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
    return done.stdout


@contextmanager
def held(*words: str | Path, cwd: Path) -> Iterator[dict[str, Any]]:
    """Hold a bench, and yield how to reach it."""
    bench = subprocess.Popen(
        [*COMMAND, "bench", *map(str, words), "--hold", "--json"],
        cwd=cwd,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert bench.stdout is not None
        text = ""
        for line in bench.stdout:
            text += line
            if line.rstrip() == "}":
                break
        yield json.loads(text)
    finally:
        bench.terminate()
        bench.wait()


@pytest.mark.parametrize("seed", [2026])
def test_the_first_hour(tmp_path: Path, seed: int) -> None:
    hull: Hull = draw(BOAT, Random(seed))
    home, box = tmp_path / "home", tmp_path / "box"
    home.mkdir()
    box.mkdir()
    (home / "hull.yml").write_text(
        yaml.safe_dump(hull.model_dump(mode="json", exclude_defaults=True))
    )
    with plugged_in(hull, box) as laptop:
        done = laptop.run(
            *COMMAND, "survey", "--new", BOAT, "--board", "x86-64", "--country", "GB", cwd=home
        )
    assert done.returncode == 0, done.stderr
    assert "no mistake" in provision("check", BOAT, cwd=home)
    provision("keys", BOAT, cwd=home)
    provision("card", BOAT, "-o", "boat.img", cwd=home)
    with (home / "card").open("wb") as file:
        file.truncate(4 * 10**9)
    provision("write", "boat.img", "card", "--yes", cwd=home)
    with held("boat.img", "--hull", "hull.yml", cwd=home) as boat:
        at = f"{BOAT}={boat['ssh']['host']}:{boat['ssh']['port']}"
        proof = json.loads(provision("verify", BOAT, "--at", at, "--json", cwd=home))
    profile = yaml.safe_load((home / "boats" / f"{BOAT}.yml").read_text())
    powered = [
        instrument
        for adapter in hull.adapters.values()
        for instrument in adapter.instruments
        if instrument.powered
    ]
    assert {link["baud"] for link in profile["links"].values()} == {i.baud for i in powered}
    assert len(profile["links"]) == len(powered)
    (result,) = proof["boats"]
    heard = [test for test in result["tests"] if test["test"].startswith("link is heard")]
    assert len(heard) == len(powered)
    assert {test["ending"] for test in heard} <= {"passed", "noted"}
    assert all("silent" not in test["reason"] for test in heard)
