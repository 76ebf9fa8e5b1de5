# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat would copy a stick, lists its charts for tablets, and takes nothing from them."""

from __future__ import annotations

import json

import pytest

from provision.profile.schema.charts import CHARTS_PORT
from provision.verify.job import Answers, Command, Job, same

#: Asks over the boat's own address, without a program that the base does not have.
ASK = """
import http.client, json, sys
address, port, method, host = sys.argv[1:]
asking = http.client.HTTPConnection(address, int(port), timeout=20)
asking.request(method, "/", headers={"Host": host})
answer = asking.getresponse()
print(json.dumps([answer.status, answer.read().decode()]))
"""

STICK, MOUNT = "boat-charts-stick@", "boat-charts-mount@"


def commands(job: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    if not job.profile.get("charts"):
        return {}
    address = str(job.profile["network"]["address"]).partition("/")[0]

    def ask(method: str, host: str) -> Command:
        return ["python3", "-c", ASK, address, str(CHARTS_PORT), method, f"{host}:{CHARTS_PORT}"]

    return {
        "list": ask("GET", address),
        "by name": ask("GET", job.boat),
        "post": ask("POST", address),
        "stranger": ask("GET", "stranger.invalid"),
        "unit": ["systemctl", "show", "--property=LoadState", f"{STICK}sdz9.service"],
        "mount": ["systemctl", "show", "--property=LoadState", f"{MOUNT}sdz9.service"],
        "rule": ["grep", "-rl", STICK, "/etc/udev/rules.d"],
        "modules": ["modprobe", "--dry-run", "--all", "usb_storage", "vfat", "exfat", "nls_utf8"],
    }


def answer(facts: Answers, name: str) -> tuple[int, str]:
    """Status and body of what was asked."""
    status, body = json.loads(facts[name].ok().output)
    return int(status), str(body)


def test_lists_charts(facts: Answers, charts_port: int) -> None:
    """The list is there by address and name; nothing can be sent, and no other name leads to it."""
    for asked in ("list", "by name"):
        status, body = answer(facts, asked)
        same(status, 200, f"the status of the list of charts on port {charts_port}")
        assert "Charts: " in body, "what answers is no list of charts"
    same(answer(facts, "post")[0], 405, "the answer to a POST")
    same(answer(facts, "stranger")[0], 421, "the answer to another boat's name")


@pytest.mark.usefixtures("charts_port")
def test_reads_sticks(facts: Answers) -> None:
    """udev starts the copy for a stick, and the kernel knows sticks and their file systems."""
    facts["rule"].ok()
    for name, unit in (("unit", STICK), ("mount", MOUNT)):
        same(facts[name].ok().output.strip(), "LoadState=loaded", f"{unit}.service")
    facts["modules"].ok()
