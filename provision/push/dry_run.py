# SPDX-License-Identifier: GPL-3.0-or-later
"""Add to a dry run's results a diff of all that a push would change."""

from __future__ import annotations

from dataclasses import replace

from provision.profile.secrets.store import derive_psk
from provision.push.deployment import Deployment
from provision.push.query.diff import FilesUnreadable, fetch, unpack, write_diff
from provision.push.query.poll import StatusQuery
from provision.push.result import Outcome, PushResult
from provision.render import OpenBoat


def with_diff(deployment: Deployment, open_boat: OpenBoat, result: PushResult) -> PushResult:
    """Add to the result of a dry run the diff of all that would change."""
    if result.outcome is not Outcome.WOULD_CHANGE:
        return result
    query = StatusQuery.read(deployment.folder / "status_query.json")
    try:
        live = fetch(query, deployment.endpoint, result.changed)
    except FilesUnreadable as error:
        return replace(result, reason=f"its files could not be read for a diff: {error}")
    new = unpack((deployment.folder / "settings.tar").read_bytes())
    return replace(result, diff=write_diff(result.changed, live, new, secret_values(open_boat)))


def secret_values(open_boat: OpenBoat) -> list[str]:
    """List the values that no diff may show, in each form that a file may hold."""
    secrets = open_boat.secrets
    radio = open_boat.boat.profile.network.access_point
    pass_phrases = [secrets.pass_phrase, *secrets.own_pass_phrases.values()]
    return [
        secrets.host_key,
        *pass_phrases,
        *(derive_psk(each, radio.ssid) for each in pass_phrases),
    ]
