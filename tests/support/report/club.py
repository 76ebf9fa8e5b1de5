# SPDX-License-Identifier: GPL-3.0-or-later
"""The results of commands about an invented club, with all that can be wrong in them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from provision.checks import calculate, check
from provision.errors import Location, UserError
from provision.profile import load
from provision.push.query.links import LinkStatus
from provision.push.result import Outcome, PushResult
from provision.push.status import BoatStatus
from provision.report.contents.check import Checked
from provision.ssh.endpoint import Endpoint
from provision.survey.adapters import Adapter
from provision.survey.findings import Findings
from provision.survey.groups import GroupReport, NetworkReport
from provision.survey.report import PortReport, Rate
from provision.verify.runner import TestOutcome, VerifyResult

NAMES = (
    "avocet dunlin fulmar gannet kittiwake knot plover redshank sanderling teal turnstone wigeon "
    "bittern curlew dotterel eider garganey godwit grebe guillemot heron lapwing merganser whimbrel"
).split()

#: Seconds since 1970, in November 2026.
NOW = 1_795_808_400.0

DIGEST, NEW_DIGEST = "3f" * 32, "a7" * 32

DIFF = """--- aboard/etc/boat/feed.json
+++ new/etc/boat/feed.json
@@ -3,3 +3,3 @@
 "links": {
-"depth-log": {"baud": 4800, "talks": ["DPT", "VHW"]}
+"depth-log": {"baud": 4800, "talks": ["DPT", "VHW", "MTW"]}
"""

SECRET_DIFF = """mode of /etc/hostapd/boat.conf: 0644 -> 0600
--- aboard/etc/hostapd/boat.conf
+++ new/etc/hostapd/boat.conf
@@ -8,1 +8,1 @@
-wpa_passphrase=<secret 1>
+wpa_passphrase=<secret 2>
"""


def push_results(names: Sequence[str] = NAMES) -> list[PushResult]:
    """Return one result for each boat: some of each outcome, most of them kept."""
    return [_push_result(number, name) for number, name in enumerate(names)]


def _push_result(number: int, name: str) -> PushResult:
    changed = ("/etc/boat/feed.json", "/etc/boat/manifest.json")
    away = f"{name} does not answer at 10.47.{number}.1 port 22"
    hint = f'Is it switched on, and is this laptop on its Wi-Fi "{name.title()}"?'
    special = {
        1: PushResult(
            name,
            Outcome.ROLLED_BACK,
            NEW_DIGEST,
            "feed: every link is heard: depth-log was silent for 30 s",
            step="prove",
            seconds=49.3,
        ),
        2: PushResult(name, Outcome.UNREACHABLE, NEW_DIGEST, away, hint, seconds=5.0),
        5: PushResult(name, Outcome.UNREACHABLE, NEW_DIGEST, away, hint, seconds=5.1),
        7: PushResult(
            name,
            Outcome.REFUSED,
            NEW_DIGEST,
            "settings of bosun@laptop are on trial there, 31 s left",
            "push again in a minute",
            seconds=1.2,
        ),
        8: PushResult(name, Outcome.UNCHANGED, NEW_DIGEST, seconds=2.1),
        9: PushResult(
            name,
            Outcome.FAILED,
            NEW_DIGEST,
            "the connection broke; then the boat did not answer: timed out",
            seconds=284.0,
        ),
    }
    notes = ("clock: gnss has no fix, as before this change",) if number == 3 else ()
    usual = PushResult(
        name, Outcome.KEPT, NEW_DIGEST, seconds=13 + number % 5, changed=changed, notes=notes
    )
    return special.get(number, usual)


def dry_run_results(names: Sequence[str] = NAMES) -> list[PushResult]:
    """Return the results of a dry run: all change alike, and one its pass-phrase as well."""
    return [
        PushResult(
            name,
            Outcome.WOULD_CHANGE,
            NEW_DIGEST,
            seconds=3.1,
            changed=("/etc/boat/feed.json",),
            diff=DIFF + (SECRET_DIFF if number == 1 else ""),
        )
        for number, name in enumerate(names)
    ]


def statuses(names: Sequence[str] = NAMES) -> list[BoatStatus]:
    """Return one status for each boat: most are healthy."""
    return [_status(number, name) for number, name in enumerate(names)]


def _status(number: int, name: str) -> BoatStatus:
    links = {
        "gnss": LinkStatus("heard", 0.2),
        "depth-log": LinkStatus("silent", 7300.0) if number in (1, 4) else LinkStatus("heard", 0.4),
        "autopilot": LinkStatus("absent") if number == 4 else LinkStatus("heard", 0.1),
    }
    here = Endpoint(f"10.47.{number}.1")
    away = f"{name} does not answer at {here}"
    hint = f'Is it switched on, and is this laptop on its Wi-Fi "{name.title()}"?'
    special = {
        2: BoatStatus(name, DIGEST, None, reason=away, hint=hint, kept=DIGEST, seen=NOW - 180_000),
        3: BoatStatus(
            name,
            NEW_DIGEST,
            here,
            kept=DIGEST,
            differs=("/etc/boat/feed.json", "/etc/hostapd/boat.conf"),
            drift=(("/etc/hostapd/boat.conf", "content"),),
            links=links,
            version="0.2.0",
            seen=NOW,
        ),
        5: BoatStatus(name, DIGEST, None, reason=away, hint=hint),
        6: BoatStatus(
            name,
            DIGEST,
            here,
            kept=DIGEST,
            degraded=True,
            health_issues=(
                "degraded: the kept archive is damaged",
                "its card has 3 file system errors",
            ),
            links=links,
            version="0.1.0",
            seen=NOW,
        ),
        7: BoatStatus(
            name,
            "",
            None,
            invalid="wrong",
            reason=f"boats/{name}.yml:3:8: board: 'abacus' is not a known board",
            hint="The boards are x86-64",
        ),
        8: BoatStatus(name, NEW_DIGEST, here, kept=DIGEST, differs=("/a",), links=links, seen=NOW),
    }
    usual = BoatStatus(
        name, DIGEST, here, kept=DIGEST, due=False, links=links, version="0.2.0", seen=NOW
    )
    return special.get(number, usual)


SUBJECTS = (
    *("access point", "clock", "data", "devices", "feed", "identity", "logins", "packages"),
    *("page", "ports", "root", "units"),
)


def proofs(names: Sequence[str] = NAMES) -> list[VerifyResult]:
    """Return the proof of each boat: one failed, one with a note, one that did not run."""
    return [_proof(number, name) for number, name in enumerate(names)]


def _proof(number: int, name: str) -> VerifyResult:
    if number == 2:
        away = f"{name} does not answer at 10.47.2.1"
        return VerifyResult(name, 5.0, (), f"{away}\n  hint: Is it switched on?")
    tests = [
        TestOutcome(subject, f"promise {which} holds", "passed", 0.2)
        for subject in SUBJECTS
        for which in range(1, 6)
    ]
    if number == 3:
        why = "depth-log was silent for 30 s; the profile says DPT twice a second"
        tests[22] = TestOutcome("feed", "every link is heard", "failed", 30.0, why)
        tests[7] = TestOutcome("clock", "its sources agree", "skipped", 0.0, "there is but one")
    if number in (3, 4):
        tests[5] = TestOutcome("clock", "it is right", "noted", 0.3, "gnss has no fix")
    return VerifyResult(name, 20.0 + number, tuple(tests))


def checked(folder: Path, names: Sequence[str] = NAMES, text: str = "") -> Checked:
    """Return the check of a folder of boats, and of one file that cannot be read."""
    boats = []
    for number, name in enumerate(names):
        file = folder / f"{name}.yml"
        file.write_text(text or _profile(number, name))
        boats.append(load.read(file))
    findings = check(boats)
    gone = UserError(
        "'abacus' is not a known board",
        location=Location(folder / "ruff.yml", 3, 8, "board"),
        hint="The boards are bcm2711-rpi-4-b, bcm2837-rpi-3-b, x86-64",
    )
    called = {name: name for name in names}
    return Checked(boats, findings, calculate(boats), [gone], "sums prove nothing", called)


def _profile(number: int, name: str) -> str:
    baud, mm2 = 4800 if number == 1 else 38400, 0.5 if number == 2 else 2.5
    return f"""boat: {name}
board: bcm2711-rpi-4-b
network:
  address: 10.47.{number + 1}.1/24
  access_point: {{ssid: {name[:32]}, country: GB, channel: {1 if number != 4 else 13}}}
links:
  gnss: {{adapter: {{serial: {name}-1}}, talks: [RMC, GGA, VTG]}}
  wind: {{adapter: {{serial: {name}-2}}, baud: {baud}, talks: {{MWV: 10, VWR: 10}}}}
  depth-log: {{adapter: {{serial: {name}-3}}, talks: {{DPT: 2, VHW: 1}}}}
  autopilot: {{adapter: {{serial: {name}-4}}, talks: {{HDG: 10}}, listens: [APB, RMB, XTE]}}
access: {{keys: [operator.pub]}}
accepted: {{unsteered.autopilot: "steered by hand"}}
supply:
  {{volts: 12, converter: {{efficiency: 0.88, amps: 3}},
   cable: {{metres: 4, mm2: {mm2}}},
   lead: {{metres: 1, mm2: 0.5}}, battery: {{ah: 110}}, fuse: {{amps: 3}}}}
"""


def found() -> Findings:
    """Return what a survey found: a receiver, an unlabelled one, a silent port and a network."""
    gnss = Adapter("/dev/ttyUSB0", "TN-GNSS-01", "1-1.1", 0, product_name="USB serial adapter")
    wind = Adapter("/dev/ttyUSB1", "", "1-1.2", 0)
    dead = Adapter("/dev/ttyUSB2", "TN-DEAD-04", "1-1.3", 0)
    rates = {name: Rate(rate, rate, rate) for name, rate in (("GPRMC", 1.0), ("GPGSV", 3.0))}
    return Findings(
        [
            PortReport(gnss, 38400, sentences={**rates, "GPZDA": None}, looks_like="GNSS receiver"),
            PortReport(
                wind,
                4800,
                sentences={"IIMWV": Rate(2, 1.8, 2.2)},
                looks_like="wind instrument",
                advice=("its chip has no serial number: label its socket and name it by port",),
            ),
            PortReport(dead, advice=("nothing came: is the instrument on, and its talker wired?",)),
        ],
        [NetworkReport("can0", (GroupReport(129025, 3, 10.0, True), GroupReport(60928, 4)))],
    )
