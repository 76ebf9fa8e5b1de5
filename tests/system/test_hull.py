# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat whose wires are not what her profile says: what each link shows of a change, on the bench.

Her instruments talk at baud rates of their own, are switched off, or are not there at all.
"""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from provision.bench.bench import Bench
from provision.bench.hull.schema import Hull
from provision.boards import board
from provision.push.plan import prepare
from provision.push.result import Outcome
from provision.push.workspace import workspace
from provision.verify import runner
from provision.verify.heard import LinkState, states_before
from tests.support.boats import PROCESSORS, Club, Virtual

#: What is plugged in, and wired to it.
HULL = Hull.model_validate(
    {
        "boat": "kittiwake",
        "adapters": {
            name: {"serial": serial, **keys}
            for name, serial, keys in (
                ("gnss", "KW-GNSS-01", {"instruments": [{"talks": ["RMC", "GGA", "VTG"]}]}),
                ("depth-log", "KW-DPTH-02", {"instruments": [{"baud": 9600, "talks": ["DPT"]}]}),
                (
                    "ais",
                    "KW-AISR-03",
                    {"instruments": [{"baud": 38400, "talks": ["VDM"], "powered": False}]},
                ),
                ("autopilot", "KW-PLOT-04", {"instruments": [{"talks": {"HDG": 10}}]}),
                ("wind", "KW-WIND-05", {"instruments": [{"talks": {"MWV": 2}}]}),
                ("compass", "KW-FLUX-06", {"instruments": [{"talks": {"HDG": 5}}]}),
                ("rudder", "KW-RUDR-07", {"instruments": [{"baud": 38400, "talks": ["RSA"]}]}),
                ("bilge", "KW-BLGE-08", {"noise": True}),
                ("display", "KW-DSPL-09", {}),
            )
        },
    }
)

#: What the card's profile adds to the boat's own links: two that are not plugged in, and noise.
FIRST = {
    "compass": {"adapter": {"serial": "KW-GONE-98"}, "talks": {"HDG": 5}},
    "loudhailer": {"adapter": {"serial": "KW-GONE-99"}, "talks": ["XDR"]},
    "bilge": {"adapter": {"serial": "KW-BLGE-08"}, "talks": ["XDR"]},
}

#: How each link is with the card's settings.
BEFORE: dict[str, LinkState] = {
    "gnss": "heard",
    "depth-log": "garbled",
    "ais": "silent",
    "autopilot": "heard",
    "compass": "absent",
    "loudhailer": "absent",
    "bilge": "garbled",
}

#: Seconds in which the feed has found out how each link is.
LOOK_S = 60


def change(club: Club, links: dict[str, Any]) -> None:
    """Change keys of the boat's links, or add links."""
    file = club.folder / "kittiwake.yml"
    profile = yaml.safe_load(file.read_text())
    for name, keys in links.items():
        profile["links"][name] = profile["links"].get(name, {}) | keys
    file.write_text(yaml.safe_dump(profile, sort_keys=False, allow_unicode=True))


@pytest.fixture(scope="module")
def boat(club: Club, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Virtual]:
    """The boat with her own hull."""
    own = club.copy(tmp_path_factory.mktemp("hull") / "boats")
    change(own, FIRST)
    opened = own.open_boat("kittiwake")
    kind = board(opened.boat.profile.board)
    card = own.card("kittiwake")
    with Bench(
        *(opened.boat.profile, opened.secrets, kind, card), hull=HULL, processors=PROCESSORS
    ) as bench:
        bench.wait_for_ssh()
        yield Virtual(own, bench)


def states(boat: Virtual) -> dict[str, LinkState]:
    return states_before(boat.feed())


def look(boat: Virtual) -> dict[str, LinkState]:
    """Return how each link is, once that is as before, or when the time for it is over."""
    end = time.monotonic() + LOOK_S
    while (found := states(boat)) != BEFORE and time.monotonic() < end:
        time.sleep(1)
    return found


def test_the_feed_tells_how_each_link_is(boat: Virtual) -> None:
    assert look(boat) == BEFORE


def test_a_wrong_baud_rate_is_rolled_back_and_the_right_one_is_told(
    boat: Virtual, tmp_path: Path
) -> None:
    wrong = boat.club.copy(tmp_path / "boats")
    change(wrong, {"gnss": {"baud": 9600}})
    result = boat.push(wrong)
    assert result.outcome is Outcome.ROLLED_BACK, result
    assert result.reason.startswith("feed: link is heard [gnss]"), result.reason
    assert "heard at 4800 baud, and is garbled at 9600: set its link to baud: 4800" in result.reason


def test_each_change_for_the_worse_fails(boat: Virtual, tmp_path: Path) -> None:
    """On trial: a link that was heard is garbled, absent or silent; a silent or new one garbled."""
    wrong = boat.club.copy(tmp_path / "boats")
    change(
        wrong,
        {
            "gnss": {"baud": 9600},
            "autopilot": {"adapter": {"serial": "KW-GONE-97"}},
            "ais": {"baud": 4800},
            "rudder": {"adapter": {"serial": "KW-RUDR-07"}, "talks": ["RSA"]},
        },
    )
    feed = tmp_path / "feed.json"
    feed.write_text(json.dumps(boat.feed()))
    instruments = boat.bench.instruments
    assert instruments
    settings = wrong.open_boat("kittiwake").render()
    archive = tmp_path / "trial.tar"
    archive.write_bytes(settings.archive)
    boat.put(archive, "/run/boat/incoming.tar")
    boat.ask(
        f"boat-settings trial /run/boat/incoming.tar --sha256 {settings.sha256} "
        "--seconds 600 --owner test"
    )
    instruments.switch("ais", powered=True)
    try:
        tests = prove_feed(boat, wrong, feed)
    finally:
        instruments.switch("ais", powered=False)
        boat.ask("boat-settings return")
    heard = {name: tests[f"link is heard [{name}]"] for name in (*BEFORE, "rudder")}
    assert {name: ending for name, (ending, _) in heard.items()} == {
        "gnss": "failed",
        "autopilot": "failed",
        "ais": "failed",
        "rudder": "failed",
        "depth-log": "noted",
        "compass": "noted",
        "loudhailer": "noted",
        "bilge": "noted",
    }
    assert "baud: 4800" in heard["gnss"][1]
    assert "absent" in heard["autopilot"][1]
    assert "garbled" in heard["ais"][1]
    assert "garbled" in heard["rudder"][1]


def test_an_instrument_that_falls_silent_during_the_trial_fails_it(
    boat: Virtual, tmp_path: Path
) -> None:
    feed = tmp_path / "feed.json"
    look(boat)
    feed.write_text(json.dumps(boat.feed()))
    instruments = boat.bench.instruments
    assert instruments
    instruments.switch("gnss", powered=False)
    try:
        tests = prove_feed(boat, boat.club, feed)
    finally:
        instruments.switch("gnss", powered=True)
    ending, reason = tests["link is heard [gnss]"]
    assert (ending, "silent" in reason) == ("failed", True), reason
    assert tests["link is heard [autopilot]"][0] == "passed"


def prove_feed(boat: Virtual, club: Club, feed: Path) -> dict[str, tuple[str, str]]:
    """Prove on trial what is about the feed, against its state before: endings and reasons."""
    with workspace() as folder:
        (planned,) = prepare([club.open_boat(boat.name)], folder, {boat.name: boat.endpoint})
        job = planned.folder / "job.json"
        words = [boat.endpoint.host, str(boat.endpoint.port), "trial", f"--before={feed}", "feed"]
        done = subprocess.run(
            [*runner.command(job), *words], capture_output=True, text=True, check=False
        )
    tests = json.loads(done.stdout)["tests"]
    return {test["test"]: (test["ending"], test["reason"]) for test in tests}


def test_what_is_mended_or_cannot_be_shown_is_kept_with_notes(
    boat: Virtual, tmp_path: Path
) -> None:
    """Two links are mended, new ones are heard or silent; the others stay as they were."""
    better = boat.club.copy(tmp_path / "boats")
    change(
        better,
        {
            "depth-log": {"baud": 9600},
            "compass": {"adapter": {"serial": "KW-FLUX-06"}},
            "wind": {"adapter": {"serial": "KW-WIND-05"}, "talks": {"MWV": 2}},
            "display": {"adapter": {"serial": "KW-DSPL-09"}, "talks": ["XDR"]},
        },
    )
    look(boat)
    result = boat.push(better)
    assert result.outcome is Outcome.KEPT, result
    notes = dict(note.split(": ", 1) for note in result.notes if "link is heard" in note)
    told = {name.split("[")[1].rstrip("]"): reason for name, reason in notes.items()}
    assert "was garbled before this change, which fixed it" in told["depth-log"]
    assert "was absent before this change, which fixed it" in told["compass"]
    assert "nothing could be shown" in told["ais"]
    assert "nothing could be shown" in told["loudhailer"]
    assert "as it was before" in told["bilge"]
    assert "it is silent" in told["display"]
    assert not told.keys() & {"gnss", "autopilot", "wind"}
