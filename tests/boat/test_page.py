# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's page shows this boat to who asks by her address, and takes nothing from anybody."""

from __future__ import annotations

import json
from typing import Any

from provision.verify.job import Answers, Command, Job, same

#: Asks over the boat's own address, without a program that the base does not have.
ASK = """
import http.client, json, sys
address, method, path, host = sys.argv[1:]
asking = http.client.HTTPConnection(address, 80, timeout=20)
asking.request(method, path, headers={"Host": host})
answer = asking.getresponse()
print(json.dumps([answer.status, answer.read().decode()]))
"""


def commands(job: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    if not job.profile.get("page"):
        return {}
    address = str(job.profile["network"]["address"]).partition("/")[0]

    def ask(method: str, path: str, host: str = address) -> Command:
        return ["python3", "-c", ASK, address, method, path, host]

    return {
        "page": ask("GET", "/"),
        "state": ask("GET", "/state.json"),
        "by name": ask("GET", "/state.json", job.boat),
        "post": ask("POST", "/"),
        "stranger": ask("GET", "/state.json", "stranger.invalid"),
    }


def answer(facts: Answers, name: str) -> tuple[int, str]:
    """Status and body of what was asked."""
    status, body = json.loads(facts[name].ok().output)
    return int(status), str(body)


def test_shows_this_boat(facts: Answers, page_address: str, profile: dict[str, Any]) -> None:
    """The page is there, and knows each link and input of the profile."""
    status, body = answer(facts, "page")
    same(status, 200, f"the status of http://{page_address}/")
    assert "not for navigation" in body, "the page does not say that it is not for navigation"
    live = False
    for asked in ("state", "by name"):
        status, body = answer(facts, asked)
        same(status, 200, f"the status of http://{page_address}/state.json")
        view = json.loads(body)
        same(view["boat"], profile["boat"], "the boat on the page")
        live = live or view["live"]
        known = {link["name"] for link in view["links"]}
        same(known, {*profile["links"], *profile["inputs"]}, "what the page lists")
    assert live, "the page does not hear the feed"


def test_takes_nothing(facts: Answers, page_address: str) -> None:
    """Nothing can be sent to the page, and no other name leads to it."""
    same(answer(facts, "post")[0], 405, f"the answer to a POST at http://{page_address}/")
    same(answer(facts, "stranger")[0], 421, "the answer to another boat's name")
