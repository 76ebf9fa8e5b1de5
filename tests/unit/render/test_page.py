# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat with a page carries the page's files, and a boat without does not."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from provision.onboard.feed.config import parse as feed_config
from provision.onboard.page.facts import config as page_config
from provision.push.query.redact import Redactor
from provision.render import Settings
from provision.render.qr_code import write_wifi_code
from tests.support.profiles import change, errors_of, kittiwake
from tests.support.render_rig import BOATS, SECRETS, Render, text

__all__ = ["kittiwake"]

PAGE = "/etc/boat/page.json"


def carried(settings: Settings) -> set[str]:
    return {path for path in settings.files if re.search(r"\bpage\b", path)}


def test_a_boat_without_a_page_carries_none_of_it(rendered: Render) -> None:
    for changes in ({}, {"page": False}):
        settings = rendered(**changes)
        assert carried(settings) == set()
        assert "boat-page" not in text(settings, "/etc/boat/manifest.json")
        assert " 80" not in text(settings, "/etc/nftables.conf")


def test_another_profile_is_another_digest_only_where_the_page_is_asked_for(
    rendered: Render,
) -> None:
    plain, without, shown = rendered(), rendered(page=False), rendered(page=True)
    assert plain.archive == without.archive
    assert plain.manifest["profile"] != shown.manifest["profile"]


def test_the_program_reads_its_configuration(tree: Callable[..., Path]) -> None:
    root = tree(**BOATS["busy"])
    read = page_config.load(str(root / PAGE[1:]))
    assert read.hosts == ("10.47.1.1", "kittiwake", "kittiwake.boat", "kittiwake.local")
    assert set(read.sources) == {*BOATS["busy"]["links"], *BOATS["busy"]["inputs"]}
    assert read.sources["gnss"].plug == "the adapter with serial number A1"
    # A silent network is a fault, too.
    assert read.sources["backbone"].talks["HDG"] == 10.0
    assert read.steering is not None and read.steering.senders == ("chart-table", "plotter")
    assert read.tablets.keys() == {"chart-table"}
    assert read.pass_phrase == SECRETS.pass_phrase
    assert set(read.codes) == {"page", "wifi"}
    assert feed_config.load(str(root / "etc/boat/feed.json")).state.group


def test_the_pass_phrase_stays_off_a_page_that_is_not_to_show_it(rendered: Render) -> None:
    made = text(rendered(page={"pass_phrase": False}), PAGE)
    assert SECRETS.pass_phrase not in made
    assert set(json.loads(made)["codes"]) == {"page"}


def test_only_root_reads_what_holds_the_pass_phrase(rendered: Render) -> None:
    entry = rendered(page=True).files[PAGE]
    assert entry.mode == 0o600
    shown = Redactor((SECRETS.pass_phrase,))(PAGE, text(rendered(page=True), PAGE), private=True)
    assert shown == "<secret 1>\n"


def test_the_page_is_reached_on_the_boats_own_address_alone(rendered: Render) -> None:
    settings = rendered(page=True)
    socket = text(settings, "/etc/systemd/system/boat-page.socket")
    assert "\nListenStream=10.47.1.1:80\n" in socket
    aboard = text(settings, "/etc/nftables.conf").partition("chain aboard")[2].partition("}")[0]
    assert "22, 53, 80, 10110" in aboard
    shore = text(rendered(page=True, network={"wired": "shore"}), "/etc/nftables.conf")
    assert "80" not in shore.partition("chain shore")[2].partition("chain forward")[0]


def test_the_page_aboard_is_whole(tree: Callable[..., Path]) -> None:
    """The page starts from the archive alone, with nothing of this checkout in reach."""
    root = tree(page=True)
    done = subprocess.run(
        [sys.executable, "-P", "-m", "provision.onboard.page", "--help"],
        env={"PYTHONPATH": str(root / "usr/lib/boat"), "PYTHONDONTWRITEBYTECODE": "1"},
        cwd="/",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0 and "boat-page" in done.stdout
    code = (
        "from provision.onboard.page.facts import config, health, history;"
        "from provision.onboard.page.web import files, live, server;"
        f"print(sorted(files.read_files(config.load({str(root / PAGE[1:])!r}))))"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", code],
        env={"PYTHONPATH": str(root / "usr/lib/boat"), "PYTHONDONTWRITEBYTECODE": "1"},
        cwd="/",
        capture_output=True,
        text=True,
        check=True,
    )
    assert "/page.js" in done.stdout and "/wifi.svg" in done.stdout


@pytest.mark.parametrize(
    ("ssid", "pass_phrase", "written"),
    [
        ("Tern", "canary in a bilge", "WIFI:T:WPA;S:Tern;P:canary in a bilge;;"),
        ('a;b,c:d"e\\f', "x", 'WIFI:T:WPA;S:a\\;b\\,c\\:d\\"e\\\\f;P:x;;'),
        ("DEAD", "beefbeef", 'WIFI:T:WPA;S:"DEAD";P:"beefbeef";;'),
    ],
)
def test_the_code_of_the_wifi_is_what_phones_read(
    ssid: str, pass_phrase: str, written: str
) -> None:
    assert write_wifi_code(ssid, pass_phrase) == written


def test_nothing_else_has_the_pages_port(kittiwake: Path) -> None:
    change(kittiwake, ("links:\n", "page: true\ninputs: {guests: {listen: 80}}\nlinks:\n"))
    messages = [error.message for error in errors_of(kittiwake)]
    assert "TCP port 80 is taken by page already" in messages
