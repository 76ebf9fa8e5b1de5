# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that proves running boats: verify."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.boats.asked import (
    Asked,
    At,
    called_names,
    endpoints_at,
    load_fleet,
    load_named_or_all,
)
from provision.cli.common import (
    COULD_NOT_RUN,
    FOUND_SOMETHING,
    Boats,
    Everyone,
    Json,
    Some,
    VaultFile,
    app,
    show,
)
from provision.cli.help import Command, example
from provision.cli.opening import refuse_both_or_neither
from provision.cli.reporting import Hold, Report, reporting
from provision.harmless import harmless
from provision.paths import BOATS

if TYPE_CHECKING:
    from provision.push.deployment import Deployment
    from provision.push.load import InvalidBoat
    from provision.render import OpenBoat
    from provision.report.page import Page
    from provision.ssh.endpoint import Endpoint
    from provision.verify.runner import VerifyResult


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

    given = Asked(names or (), boats, vault_password_file, at or ())
    with reporting(report, "Proof") as hold:
        _verify(given, everyone, under_way, as_json, hold)


def _verify(given: Asked, everyone: bool, under_way: bool, as_json: bool, hold: Hold) -> None:
    """Prove the boats, and print how it ended for each."""
    from provision.progress import results
    from provision.push.console import verify_table

    asked, invalid = _to_prove(given.names, everyone, given.boats, given.password)
    proofs = _prove(asked, endpoints_at(given.at, [*asked, *invalid]), under_way)
    if invalid:
        proofs = sorted([*proofs, *map(_unproven, invalid)], key=lambda proof: proof.boat)
    called = called_names(asked, invalid)
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
