# SPDX-License-Identifier: GPL-3.0-or-later
"""How a fleet stands: every boat asked at once, and each compared with its profile."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

from provision.bounded import MAX_STATUS_BYTES, Output, TooMuch, collect, read_json
from provision.push.held_back import hold_back
from provision.push.inventory import Deployment
from provision.push.known_boats import KnownBoat, recall
from provision.push.notes import note
from provision.push.outcome import explain_failure, unreachable_hint
from provision.push.plan import Target, prepare
from provision.push.status_shape import not_understood, understood
from provision.push.workspace import workspace
from provision.ssh.endpoint import Endpoint, arguments, ssh
from provision.ssh.refusal import refused

#: What a boat is asked, as preflight asks it; ASCII's record separator stands between.
QUESTION = r"boat-settings status --json && printf '\036' && cat /etc/boat/manifest.json"
SEPARATOR = "\x1e"

#: Seconds that a boat gets to answer in all.
ANSWER = 60.0


@dataclass(frozen=True)
class BoatStatus:
    """How one boat stands.

    `place` is where it answered; without one, `reason` and `hint` say why it did not (`refused`:
    it is another machine, or lets nobody in), and `kept` is what is remembered. `wanted` and
    `kept` are digests of settings, `differs` the files that a push would change. `due` says
    whether a push would change anything at all: live or kept settings may differ in what they
    say of themselves alone. `version` is that of the program that made the settings aboard. A boat
    whose profile or secrets are not as they should be has "" for `wanted`, and `unfit` says in a
    word or two what the matter is. `drift` has what was changed by hand as path and kind.
    `concerns` are for people; a boat without any is healthy. `seen` is when it answered last, in
    seconds since 1970.
    """

    boat: str
    wanted: str
    place: Endpoint | None = None
    unfit: str = ""
    refused: bool = False
    reason: str = ""
    hint: str = ""
    kept: str = ""
    due: bool = True
    differs: tuple[str, ...] = ()
    drift: tuple[tuple[str, str], ...] = ()
    degraded: bool = False
    concerns: tuple[str, ...] = ()
    trial: Mapping[str, Any] | None = None
    staged: Mapping[str, Any] | None = None
    version: str = ""
    seen: float | None = field(default=None)

    @property
    def well(self) -> bool:
        """Whether the boat answers, is healthy, and has just what its profile says."""
        return self.place is not None and not self.due and not self.concerns

    def as_json(self) -> dict[str, object]:
        """As plain data, for `--json`."""
        return {
            **vars(self),
            "place": str(self.place) if self.place else None,
            "reachable": self.place is not None,
            "drift": [{"path": path, "what": what} for path, what in self.drift],
            "well": self.well,
        }


def fleet_status(
    targets: Sequence[Target], at: Mapping[str, Endpoint], *, former: bool = False
) -> list[BoatStatus]:
    """Ask all boats at once; nothing is changed aboard."""
    with workspace() as folder, ThreadPoolExecutor(max(len(targets), 1)) as pool:
        wanted = prepare(targets, folder, at, former=former)
        return list(pool.map(_with_loss, targets, pool.map(_standing, targets, wanted)))


def _with_loss(target: Target, standing: BoatStatus) -> BoatStatus:
    """Add that the boat's card was lost, while it has no new one."""
    _, held = hold_back([target])
    concerns = tuple(f"{one.reason}; no push goes out" for one in held)
    return replace(standing, concerns=(*standing.concerns, *concerns))


def _standing(target: Target, wanted: Deployment) -> BoatStatus:
    place, before = wanted.endpoint, recall(target.boat.file)
    options = arguments(wanted.ssh_target.options(wanted.folder))
    try:
        done = collect(
            [*ssh(wanted.ssh_target.user, options, place), QUESTION],
            limit=MAX_STATUS_BYTES,
            timeout=ANSWER,
        )
    except subprocess.TimeoutExpired:
        return _away(wanted, before, f"no answer within {ANSWER:.0f} s", unreachable_hint(wanted))
    except TooMuch as error:
        return _odd(wanted, before, place, None, f": {error}")
    try:
        status, manifest = map(read_json, done.text.split(SEPARATOR))
    except ValueError:
        return _unread(wanted, before, place, done)
    if not understood(status, manifest):
        return _odd(wanted, before, place, status)
    standing = judge(wanted, status, manifest, place)
    if status["boat"] == target.name:
        note(target, wanted, place, str(status["kept"] or ""))
    return standing


def _unread(
    wanted: Deployment, before: KnownBoat | None, place: Endpoint, done: Output
) -> BoatStatus:
    """Tell of a boat that could not be asked, or printed something else than was asked for."""
    if done.status == 0:
        return _odd(wanted, before, place, None)
    reason, hint = explain_failure(wanted, done.errors)
    if refused(done.errors):
        return replace(_away(wanted, before, reason, hint), refused=True)
    return _away(wanted, before, reason, unreachable_hint(wanted))


def _odd(
    wanted: Deployment, before: KnownBoat | None, place: Endpoint, status: object, why: str = ""
) -> BoatStatus:
    """Tell of a boat that answers in a shape that this program does not read."""
    words = f"{not_understood(status)}{why}"
    away = _away(wanted, before, "", "")
    return replace(away, place=place, due=True, concerns=(words,), seen=time.time())


def _away(wanted: Deployment, before: KnownBoat | None, reason: str, hint: str) -> BoatStatus:
    return BoatStatus(
        boat=wanted.name,
        wanted=wanted.sha256,
        reason=reason,
        hint=hint,
        kept=before.kept if before else "",
        due=not before or before.kept != wanted.sha256,
        seen=before.seen if before else None,
    )


def judge(
    wanted: Deployment, status: Mapping[str, Any], manifest: Mapping[str, Any], place: Endpoint
) -> BoatStatus:
    """From what the boat said of itself to how it stands."""
    settings = json.loads((wanted.folder / "manifest.json").read_text(encoding="utf-8"))
    new, live = settings["files"], manifest["files"]
    drift = tuple((str(one["path"]), str(one["what"])) for one in status["drift"])
    changed = {path for path in {*new, *live} if new.get(path) != live.get(path)}
    there = (status["live"], status["kept"]) == (wanted.sha256, wanted.sha256)
    return BoatStatus(
        boat=wanted.name,
        wanted=wanted.sha256,
        place=place,
        kept=status["kept"] or "",
        due=bool(drift) or not there or not status["kept_whole"],
        differs=tuple(sorted(changed | {path for path, _ in drift})),
        drift=drift,
        degraded=bool(status["degraded"]),
        concerns=tuple(concerns(wanted, status, (manifest.get("format"), settings["format"]))),
        trial=status["trial"],
        staged=status["staged"],
        version=status["version"] or "",
        seen=time.time(),
    )


def concerns(
    wanted: Deployment, status: Mapping[str, Any], formats: tuple[object, object]
) -> list[str]:
    """What is wrong with a boat but for its settings, in words.

    `formats` are those of the settings aboard, the only one that the boat's base reads, and of
    its profile's.
    """
    health, boot, base = status["health"], status["boot"] or {}, status["base"] or {}
    boat, (aboard, new) = wanted.name, formats
    degraded = f"degraded: {boot.get('reason') or 'no word from the boot'}"
    found = {
        f"the boat there is {status['boat'] or 'unknown'}, not {boat}": status["boat"] != boat,
        f"its board is {status['board']}, not {wanted.board}": status["board"] != wanted.board,
        f"its base has format {base.get('format')}, its profile's settings need {wanted.base}": (
            base.get("format") != wanted.base
        ),
        f"its base reads settings of format {aboard}, its profile's are in format {new}": (
            aboard != new
        ),
        degraded: status["degraded"],
        "the settings that it keeps are damaged": not status["kept_whole"],
        "its data partition cannot be written": not health["data"]["writable"],
        f"its card has {health['ext4_errors']} file system errors": health["ext4_errors"],
        "its supply voltage is or was too low": health["undervoltage"],
    }
    return [words for words, wrong in found.items() if wrong]
