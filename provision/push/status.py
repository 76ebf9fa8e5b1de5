# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask every boat of a fleet for its status, and compare each with its profile."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from provision.bounded import MAX_STATUS_BYTES, Output, TooMuch, collect, read_json
from provision.card.base.age import describe_age, is_old, read_date
from provision.errors import UserError
from provision.progress import Awaited, wait
from provision.push.deployment import Deployment
from provision.push.outcome import explain_failure, unreachable_hint
from provision.push.plan import prepare
from provision.push.query.history import describe_concerns, read_history
from provision.push.query.links import LinkStatus, link_statuses
from provision.push.query.status_shape import not_understood, understood
from provision.push.records.answers import remember_answer
from provision.push.records.held_back import hold_back
from provision.push.records.known_boats import KnownBoat, recall
from provision.push.records.written_cards import CardRecord, find_running, read_cards
from provision.push.workspace import workspace
from provision.render import OpenBoat
from provision.ssh.endpoint import Endpoint, arguments, refused, ssh

#: The command that a boat runs. ASCII's record separator divides its status, its manifest, the
#: state of its feed, what says which card it runs on (the kernel's command line and the registers
#: of cards in slots), and what boat-watch tells. Older settings have no boat-watch.
STATUS_COMMAND = (
    r"boat-settings status --json && printf '\036' && cat /etc/boat/manifest.json"
    r" && printf '\036' && { boat-feed --state 2>/dev/null || true; }"
    r" && printf '\036'"
    r" && { cat /proc/cmdline /sys/class/block/mmcblk[0-9]/device/cid 2>/dev/null || true; }"
    r" && printf '\036' && { boat-watch --concerns 2>/dev/null || true; }"
)

#: The same, with all that boat-watch remembers.
HISTORY_COMMAND = STATUS_COMMAND.replace("--concerns", "--history")
SEPARATOR = "\x1e"

#: Seconds that a boat gets to answer in all.
ANSWER_TIMEOUT_S = 60.0


@dataclass(frozen=True)
class BoatStatus:
    """Hold the status of one boat.

    `endpoint` is where it answered. Without it, `reason` and `hint` say why the boat did not
    answer, and `kept` is what this computer remembers. `refused` says that another machine
    answered, or that the boat refused the login. `wanted` and `kept` are digests of settings,
    `differs` the files that a push would change. `due` says whether a push would change anything
    at all: settings may differ in their manifests alone. `version` is that of the program that
    made the settings aboard. A boat whose profile or secrets are invalid has "" for `wanted`, and
    `invalid` names the problem in a word or two. `drift` lists what was changed by hand, as path
    and kind. `health_issues` are sentences for the operator; a healthy boat has none. `links` tells
    how each link and input is, and is None where the feed did not say. `card` is the card that the
    boat runs on, of those that were recorded when they were written. `base` is
    base.json of the base that it runs. `history` is what boat-watch
    told (its concerns, or all), None where it told nothing. `seen` is when the boat answered last,
    in seconds since 1970.
    """

    boat: str
    wanted: str
    endpoint: Endpoint | None = None
    invalid: str = ""
    refused: bool = False
    reason: str = ""
    hint: str = ""
    kept: str = ""
    due: bool = True
    differs: tuple[str, ...] = ()
    drift: tuple[tuple[str, str], ...] = ()
    degraded: bool = False
    health_issues: tuple[str, ...] = ()
    trial: Mapping[str, Any] | None = None
    staged: Mapping[str, Any] | None = None
    version: str = ""
    links: Mapping[str, LinkStatus] | None = None
    card: CardRecord | None = None
    base: Mapping[str, Any] | None = None
    history: Mapping[str, Any] | None = None
    seen: float | None = field(default=None)

    @property
    def up_to_date(self) -> bool:
        """Tell whether the boat answers, is healthy, and has just what its profile says."""
        return self.endpoint is not None and not self.due and not self.health_issues

    def as_json(self) -> dict[str, object]:
        """Return plain data, for `--json`."""
        return {
            **vars(self),
            "endpoint": str(self.endpoint) if self.endpoint else None,
            "reachable": self.endpoint is not None,
            "drift": [{"path": path, "what": what} for path, what in self.drift],
            "links": None
            if self.links is None
            else {name: vars(link) for name, link in self.links.items()},
            "card": asdict(self.card) if self.card else None,
            "ok": self.up_to_date,
        }


def fleet_status(
    boats: Sequence[OpenBoat],
    at: Mapping[str, Endpoint],
    *,
    former: bool = False,
    history: bool = False,
) -> list[BoatStatus]:
    """Ask all boats at once, with `history` also what they remember. Change nothing aboard."""
    command = HISTORY_COMMAND if history else STATUS_COMMAND
    with (
        workspace() as folder,
        ThreadPoolExecutor(max(len(boats), 1)) as pool,
        wait("Asking boats") as report,
    ):
        deployments = prepare(boats, folder, at, former=former)
        awaited = Awaited([boat.name for boat in boats], report)

        def ask(open_boat: OpenBoat, deployment: Deployment) -> BoatStatus:
            status = _query(open_boat, deployment, command)
            awaited.take_off(open_boat.name)
            return _with_loss(open_boat, status)

        return list(pool.map(ask, boats, deployments))


def _with_loss(open_boat: OpenBoat, status: BoatStatus) -> BoatStatus:
    """Add that the boat's card was lost, while it has no new one."""
    _, held = hold_back([open_boat])
    losses = tuple(f"{boat.reason}; no push goes out" for boat in held)
    return replace(status, health_issues=(*status.health_issues, *losses))


def _query(open_boat: OpenBoat, deployment: Deployment, command: str) -> BoatStatus:
    endpoint, known = deployment.endpoint, recall(open_boat.boat.file)
    options = arguments(deployment.ssh_target.options(deployment.folder))
    try:
        done = collect(
            [*ssh(deployment.ssh_target.user, options, endpoint), command],
            limit=MAX_STATUS_BYTES,
            timeout=ANSWER_TIMEOUT_S,
        )
    except subprocess.TimeoutExpired:
        return _unreachable(
            deployment,
            known,
            f"no answer within {ANSWER_TIMEOUT_S:.0f} s",
            unreachable_hint(deployment),
        )
    except TooMuch as error:
        return _unreadable(deployment, known, endpoint, None, f": {error}")
    try:
        status, manifest, *rest = done.text.split(SEPARATOR)
        status, manifest = read_json(status), read_json(manifest)
    except ValueError:
        return _no_status(deployment, known, endpoint, done)
    if not understood(status, manifest):
        return _unreadable(deployment, known, endpoint, status)
    links = link_statuses(_feed_state(rest))
    found = _with_history(assess(deployment, status, manifest, links, endpoint), rest)
    if status["boat"] == open_boat.name:
        remember_answer(open_boat, deployment, endpoint, str(status["kept"] or ""))
    card = _running_card(open_boat, rest) if status["boat"] == open_boat.name else None
    return replace(found, card=card)


def _running_card(open_boat: OpenBoat, rest: Sequence[str]) -> CardRecord | None:
    """Find the card that the boat runs on. None when it did not say, or none is recorded."""
    try:
        return find_running(read_cards(open_boat.boat.file), rest[1]) if len(rest) > 1 else None
    except UserError:
        return None


def _with_history(status: BoatStatus, rest: Sequence[str]) -> BoatStatus:
    """Add what boat-watch told, and its concerns to what is wrong with the boat."""
    history = read_history(rest[2]) if len(rest) > 2 else None
    issues = (*status.health_issues, *describe_concerns(history))
    return replace(status, history=history, health_issues=issues)


def _feed_state(rest: Sequence[str]) -> object:
    """Read what the feed reported. None when it did not."""
    try:
        return read_json(rest[0]) if rest else None
    except ValueError:
        return None


def _no_status(
    deployment: Deployment, known: KnownBoat | None, endpoint: Endpoint, done: Output
) -> BoatStatus:
    """Describe a boat that did not answer, or printed no status."""
    if done.status == 0:
        return _unreadable(deployment, known, endpoint, None)
    reason, hint = explain_failure(deployment, done.errors)
    if refused(done.errors):
        return replace(_unreachable(deployment, known, reason, hint), refused=True)
    return _unreachable(deployment, known, reason, unreachable_hint(deployment))


def _unreadable(
    deployment: Deployment,
    known: KnownBoat | None,
    endpoint: Endpoint,
    status: object,
    why: str = "",
) -> BoatStatus:
    """Describe a boat that answers in a shape that this program does not read."""
    issue = f"{not_understood(status)}{why}"
    away = _unreachable(deployment, known, "", "")
    return replace(away, endpoint=endpoint, due=True, health_issues=(issue,), seen=time.time())


def _unreachable(
    deployment: Deployment, known: KnownBoat | None, reason: str, hint: str
) -> BoatStatus:
    return BoatStatus(
        boat=deployment.name,
        wanted=deployment.sha256,
        reason=reason,
        hint=hint,
        kept=known.kept if known else "",
        due=not known or known.kept != deployment.sha256,
        seen=known.seen if known else None,
    )


def assess(
    deployment: Deployment,
    status: Mapping[str, Any],
    manifest: Mapping[str, Any],
    links: Mapping[str, LinkStatus] | None,
    endpoint: Endpoint,
) -> BoatStatus:
    """Compare the status and the manifest that a boat sent with its profile's settings."""
    settings = json.loads((deployment.folder / "manifest.json").read_text(encoding="utf-8"))
    new, live = settings["files"], manifest["files"]
    drift = tuple((str(entry["path"]), str(entry["what"])) for entry in status["drift"])
    changed = {path for path in {*new, *live} if new.get(path) != live.get(path)}
    formats = (manifest.get("format"), settings["format"])
    current = (status["live"], status["kept"]) == (deployment.sha256, deployment.sha256)
    return BoatStatus(
        boat=deployment.name,
        wanted=deployment.sha256,
        endpoint=endpoint,
        kept=status["kept"] or "",
        due=bool(drift) or not current or not status["kept_whole"],
        differs=tuple(sorted(changed | {path for path, _ in drift})),
        drift=drift,
        degraded=bool(status["degraded"]),
        health_issues=(
            *find_health_issues(deployment, status, formats),
            *([] if links is not None else ["its feed does not say how its links are"]),
        ),
        links=links,
        trial=status["trial"],
        staged=status["staged"],
        version=status["version"] or "",
        base=status["base"],
        seen=time.time(),
    )


def find_health_issues(
    deployment: Deployment, status: Mapping[str, Any], formats: tuple[object, object]
) -> list[str]:
    """List what is wrong with a boat apart from its settings, as sentences.

    `formats` are the format of the settings aboard, the only one that the boat's base reads, and
    the format of its profile's settings.
    """
    health, boot, base = status["health"], status["boot"] or {}, status["base"] or {}
    date, now = read_date(base), time.time()
    boat, board, needed = deployment.name, deployment.board, deployment.base
    aboard, new = formats
    degraded = f"degraded: {boot.get('reason') or 'the boot gave no reason'}"
    found = {
        f"the boat there is {status['boat'] or 'unknown'}, not {boat}": status["boat"] != boat,
        f"its board is {status['board']}, not {board}": status["board"] != board,
        f"its base has format {base.get('format')}, its profile's settings need {needed}": (
            base.get("format") != needed
        ),
        f"its base reads settings of format {aboard}, its profile's are in format {new}": (
            aboard != new
        ),
        degraded: status["degraded"],
        "the settings that it keeps are damaged": not status["kept_whole"],
        "its data partition cannot be written": not health["data"]["writable"],
        f"its card has {health['ext4_errors']} file system errors": health["ext4_errors"],
        "its supply voltage is or was too low": health["undervoltage"],
        f"its base is old: {describe_age(base, now)}": date is not None and is_old(date, now),
    }
    return [issue for issue, wrong in found.items() if wrong]
