# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands that reach running boats: push, fleet, verify, inventory."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from provision.cli.common import (
    COULD_NOT_RUN,
    FOUND_SOMETHING,
    INTERRUPTED,
    BoatNames,
    Boats,
    Everyone,
    Json,
    Some,
    VaultFile,
    app,
    fail,
    show,
)
from provision.cli.help import Command, example
from provision.cli.opening import every_file, print_check_errors, refuse_both_or_neither
from provision.cli.reporting import Hold, Report, reporting
from provision.cli.terminal.completion import complete_boat
from provision.cli.terminal.durations import between
from provision.errors import UserError
from provision.harmless import harmless
from provision.paths import BOATS, argument, folder_option
from provision.push.options import PushOptions

if TYPE_CHECKING:
    from provision.push.deployment import Deployment
    from provision.push.load import InvalidBoat
    from provision.push.records.held_back import HeldBack
    from provision.push.result import PushResult
    from provision.push.status import BoatStatus
    from provision.render import OpenBoat
    from provision.report.page import Page
    from provision.ssh.endpoint import Endpoint
    from provision.verify.runner import VerifyResult

At = Annotated[
    list[str] | None,
    typer.Option("--at", metavar="BOAT=HOST:PORT", help="Where a boat answers instead."),
]
FormerKey = Annotated[
    bool,
    typer.Option("--former-key", help="Accept a host key from before it was rotated, too."),
]

#: Seconds of the longest trial that a boat accepts, see provision/onboard/settings/cli.py.
MAX_TIMER_S = 24 * 3600


@dataclass(frozen=True)
class _Asked:
    """Hold which boats were named, and where they are."""

    names: Sequence[str]
    boats: Path
    password: Path | None
    at: Sequence[str]


def _called(valid: Iterable[OpenBoat], invalid: Iterable[InvalidBoat]) -> dict[str, str]:
    """Return how a command names each boat."""
    files = [(boat.name, boat.boat.file) for boat in valid]
    files += [(boat.name, boat.file) for boat in invalid]
    return {name: argument(file) for name, file in files}


def load_fleet(names: Sequence[str], boats: Path, password: Path | None) -> list[OpenBoat]:
    """Load the boats with these names, each once. Raise UserErrors with the errors of all."""
    from provision.profile.yaml.tree import raise_all

    valid, invalid = load_named(names, boats, password)
    raise_all([error for boat in invalid for error in boat.errors])
    return valid


def load_named(
    names: Sequence[str], boats: Path, password: Path | None
) -> tuple[list[OpenBoat], list[InvalidBoat]]:
    """Load the boats with these names, each once. Return valid and invalid boats."""
    from provision.profile import load
    from provision.push.load import load_boats

    files = {file.resolve(): file for file in (load.find(name, boats) for name in names)}
    return load_boats(list(files.values()), password)


def load_named_or_all(
    names: Sequence[str], boats: Path, password: Path | None
) -> tuple[list[OpenBoat], list[InvalidBoat]]:
    """Load the boats with these names, or all of the folder. Return valid and invalid boats.

    Raise UserErrors when there is no boat at all, or when all that were named are invalid.
    """

    from provision.profile.yaml.tree import raise_all
    from provision.push.load import load_boats

    if names:
        valid, invalid = load_named(names, boats, password)
        if not valid:
            raise_all([error for boat in invalid for error in boat.errors])
        return valid, invalid
    return load_boats(every_file(boats), password)


def endpoints_at(
    at: Sequence[str] | None, boats: Iterable[OpenBoat | InvalidBoat | HeldBack]
) -> dict[str, Endpoint]:
    """Parse the endpoints of `--at`. Raise UserError when one is not of `boats`."""
    from provision.ssh.endpoint import parse_at

    found = parse_at(at or [])
    if unknown := sorted(found.keys() - {boat.name for boat in boats}):
        raise UserError(
            f"--at says where {', '.join(unknown)} answers, which is not among the boats",
            hint="write it as the boat's name",
        )
    return found


@app.command(cls=Command, epilog=example("push --all --first kittiwake --wait 1h"))
def push(  # noqa: PLR0913
    names: Some = None,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
    everyone: Everyone = False,
    first: Annotated[
        str,
        typer.Option(
            metavar="BOAT",
            help="Push to this boat first. Go on only if it passes.",
            autocompletion=complete_boat,
        ),
    ] = "",
    stop_after: Annotated[
        int,
        typer.Option(
            min=0,
            metavar="N",
            show_default=False,
            help="Start no further boat after N failures (default: go on).",
        ),
    ] = 0,
    wait: Annotated[
        float,
        typer.Option(
            parser=between(0, 30 * MAX_TIMER_S, "from 0 to 30 days"),
            metavar="TIME",
            show_default=False,
            help="Look this long for boats that are off: 90 s, 5 min, 2 h; a number alone is "
            "seconds (default: do not wait).",
        ),
    ] = 0,
    stage: Annotated[
        bool, typer.Option("--stage", help="For the next start: on trial there, not now.")
    ] = False,
    at_once: Annotated[
        int, typer.Option(min=1, metavar="N", help="How many boats side by side.")
    ] = 8,
    timer: Annotated[
        float,
        typer.Option(
            parser=between(30, MAX_TIMER_S, "from 30 s to 24 h"),
            metavar="TIME",
            show_default=False,
            help="A boat rolls back by itself after this time, unless it was proven: 30 s to "
            f"24 h; a number alone is seconds (default: {PushOptions.timer // 60} min).",
        ),
    ] = PushOptions.timer,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Change nothing; say what would change.")
    ] = False,
    overwrite_drift: Annotated[
        bool, typer.Option("--overwrite-drift", help="Replace files changed by hand aboard.")
    ] = False,
    former_key: FormerKey = False,
    report: Report = None,
    as_json: Json = False,
) -> None:
    """Change running boats: on trial first, then for good.

    The new settings are proven on the boat. If that fails, it rolls back by itself.
    """

    refuse_both_or_neither(names, everyone)
    options = PushOptions(
        at_once=at_once,
        timer=round(timer),
        dry_run=dry_run,
        overwrite_drift=overwrite_drift,
        stage=stage,
        stop_after=stop_after,
        former=former_key,
    )
    with reporting(report, "Push") as hold:
        _push(
            _Asked(names or (), boats, vault_password_file, at or ()),
            options,
            first,
            wait,
            as_json,
            hold,
        )


def _push(  # noqa: PLR0913
    asked: _Asked, options: PushOptions, first: str, wait: float, as_json: bool, hold: Hold
) -> None:
    """Push, and print how it ended for each boat."""
    from provision.progress import console, results
    from provision.push.console import progress, push_table
    from provision.push.query.diff import MAX_DIFF_CHARS
    from provision.push.records.held_back import hold_back
    from provision.push.rollout import Rollout, roll_out

    readable, invalid = load_named_or_all(asked.names, asked.boats, asked.password)
    fleet, held = hold_back(readable)
    not_pushed: list[InvalidBoat | HeldBack] = [*invalid, *held]
    options = replace(options, at=endpoints_at(asked.at, [*fleet, *not_pushed]))
    for boat in not_pushed:
        if boat.name == first:
            raise boat.error
    print_check_errors(boat.boat for boat in fleet)
    shown = (
        contextlib.nullcontext() if as_json else progress([boat.name for boat in fleet], console)
    )
    try:
        with shown as listener:
            if fleet or not held:
                ended = roll_out(fleet, options, Rollout(first, wait), listener)
            else:
                ended = []
    except KeyboardInterrupt:
        command = f"provision fleet{folder_option(asked.boats)}"
        hint = (
            f"a boat with settings on trial rolls back within {options.timer} s; "
            f"`{command}` shows its status"
        )
        stopped = UserError("the push was stopped in the middle", hint=hint)
        fail(stopped)
        hold(lambda: _stopped_page(stopped))
        raise typer.Exit(INTERRUPTED) from None
    if not_pushed:
        ended = sorted(
            [*ended, *(boat.result() for boat in not_pushed)], key=lambda result: result.boat
        )
    called = _called(readable, invalid)
    hold(lambda: _push_page(ended, options, called))
    if as_json:
        show({"boats": [result.as_json() for result in ended]})
    else:
        for result in ended:
            if result.diff:
                results.print(f"{result.boat}:", markup=False)
                text = harmless(result.diff, MAX_DIFF_CHARS)
                results.print(text, end="", markup=False)
        results.print(push_table(ended))
    if not all(result.succeeded for result in ended):
        raise typer.Exit(FOUND_SOMETHING)


def _push_page(
    ended: Sequence[PushResult], options: PushOptions, called: Mapping[str, str]
) -> Page:
    from provision.report.contents.push import push_page

    return push_page(ended, options, called)


def _stopped_page(error: UserError) -> Page:
    from provision.report.contents.failure import ended_page

    return ended_page("Push", error.message, error.hint)


@app.command(cls=Command, epilog=example("fleet"))
def fleet(  # noqa: PLR0913
    names: Some = None,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
    history: Annotated[
        bool,
        typer.Option(
            "--history", help="Plot the last day and the last 30 days, too, also in a report."
        ),
    ] = False,
    former_key: FormerKey = False,
    report: Report = None,
    as_json: Json = False,
) -> None:
    """Ask how boats are: reachable, healthy, up to date.

    Without names, all boats of the folder are asked, and all at once.
    """

    with reporting(report, "State of the fleet") as hold:
        asked = _Asked(names or (), boats, vault_password_file, at or ())
        shown = _Shown(history, as_json)
        _fleet(asked, former_key, shown, hold)


class _Shown(NamedTuple):
    """Hold whether the history is shown, too, and all of it as JSON."""

    history: bool
    as_json: bool


def _fleet(given: _Asked, former: bool, shown: _Shown, hold: Hold) -> None:
    """Ask the boats, and print what they answered."""
    from provision.progress import results
    from provision.push.console import fleet_table
    from provision.push.history_table import history_tables
    from provision.push.status import fleet_status

    asked, invalid = load_named_or_all(given.names, given.boats, given.password)
    endpoints = endpoints_at(given.at, [*asked, *invalid])
    found = fleet_status(asked, endpoints, former=former, history=shown.history)
    if invalid:
        found = sorted(
            [*found, *(boat.status() for boat in invalid)], key=lambda status: status.boat
        )
    called = _called(asked, invalid)
    hold(lambda: _fleet_page(found, called))
    if shown.as_json:
        show({"boats": [status.as_json() for status in found]})
    else:
        results.print(fleet_table(found, time.time()))
        if shown.history:
            results.print(history_tables(found, encoding=results.encoding))
    if not all(status.up_to_date for status in found):
        raise typer.Exit(FOUND_SOMETHING)


def _fleet_page(found: Sequence[BoatStatus], called: Mapping[str, str]) -> Page:
    from provision.report.contents.fleet import fleet_page
    from provision.report.plots.history import plots_of_boats

    return fleet_page(found, called, time.time(), plots_of_boats(found))


@app.command(cls=Command, epilog=example("verify kittiwake"))
def verify(  # noqa: PLR0913
    names: Some = None,
    everyone: Everyone = False,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
    under_way: Annotated[
        bool, typer.Option("--under-way", help="Fail for each instrument that is silent.")
    ] = False,
    report: Report = None,
    as_json: Json = False,
) -> None:
    """Prove that running boats are what their files say.

    Nothing is changed aboard. A silent instrument is a note, since it may be switched off.
    """

    given = _Asked(names or (), boats, vault_password_file, at or ())
    with reporting(report, "Proof") as hold:
        _verify(given, everyone, under_way, as_json, hold)


def _verify(given: _Asked, everyone: bool, under_way: bool, as_json: bool, hold: Hold) -> None:
    """Prove the boats, and print how it ended for each."""
    from provision.progress import results
    from provision.push.console import verify_table

    asked, invalid = _to_prove(given.names, everyone, given.boats, given.password)
    proofs = _prove(asked, endpoints_at(given.at, [*asked, *invalid]), under_way)
    if invalid:
        proofs = sorted([*proofs, *map(_unproven, invalid)], key=lambda proof: proof.boat)
    called = _called(asked, invalid)
    hold(lambda: _verify_page(proofs, called))
    if as_json:
        show({"boats": [proof.as_json() for proof in proofs]})
    else:
        for proof in proofs:
            if proof.tests:
                results.print(verify_table(proof))
            results.print(harmless(proof.summary()), markup=False)
    if any(proof.failed for proof in proofs):
        raise typer.Exit(FOUND_SOMETHING)
    if not all(proof.passed for proof in proofs):
        raise typer.Exit(COULD_NOT_RUN)


def _verify_page(proofs: Sequence[VerifyResult], called: Mapping[str, str]) -> Page:
    from provision.report.contents.verify import verify_page

    return verify_page(proofs, called)


@app.command(cls=Command, epilog=example("inventory kittiwake -o run > run.json"))
def inventory(
    names: BoatNames,
    out: Annotated[
        Path, typer.Option("-o", metavar="DIR", help="Where the files that it names are put.")
    ],
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
) -> None:
    """Print the inventory for plain ansible-playbook.

    The playbook is roles/push.yml.
    """

    from provision.profile.yaml.tree import raise_all
    from provision.push.push import lay_out
    from provision.push.records.held_back import hold_back

    fleet, held = hold_back(load_fleet(names, boats, vault_password_file))
    raise_all([boat.error for boat in held])
    print(lay_out(fleet, out, PushOptions(at=endpoints_at(at, fleet))))


def _to_prove(
    names: Sequence[str], everyone: bool, boats: Path, password: Path | None
) -> tuple[list[OpenBoat], list[InvalidBoat]]:
    """Load the boats to prove. Raise UserErrors when a boat that was named is invalid."""
    refuse_both_or_neither(names, everyone)
    if names:
        return load_fleet(names, boats, password), []
    return load_named_or_all(names, boats, password)


def _unproven(boat: InvalidBoat) -> VerifyResult:
    from provision.verify.runner import VerifyResult

    return VerifyResult(boat.name, 0.0, (), f"{boat.reason}\n  hint: {boat.errors[0].hint}")


def _prove(fleet: list[OpenBoat], at: dict[str, Endpoint], under_way: bool) -> list[VerifyResult]:
    """Run the suite against each boat where it answers."""
    from provision.progress import wait
    from provision.push.plan import prepare
    from provision.push.workspace import workspace

    proofs = []
    with workspace() as folder, wait("Proving") as report:
        for number, deployment in enumerate(prepare(fleet, folder, at), 1):
            which = f", {number} of {len(fleet)}" if len(fleet) > 1 else ""
            report(f"{deployment.name}{which}")
            proofs.append(_explained(deployment, _proof(deployment, under_way)))
    return proofs


def _proof(boat: Deployment, under_way: bool) -> VerifyResult:
    from provision.verify.runner import prove

    return prove(boat.folder / "job.json", boat.endpoint, "kept", under_way=under_way)


def _explained(boat: Deployment, proof: VerifyResult) -> VerifyResult:
    """Say why a proof could not run, as a push does."""
    from provision.push.outcome import explain_failure, unreachable_hint

    if not proof.error:
        return proof
    reason, hint = explain_failure(boat, proof.error)
    if "does not answer" in reason:
        hint = unreachable_hint(boat)
    return replace(proof, error="\n  hint: ".join(filter(None, (reason, hint))))
