# SPDX-License-Identifier: GPL-3.0-or-later
"""A dry run's results, with a diff of all that a push would change."""

from __future__ import annotations

from dataclasses import replace

from provision.profile.secrets.store import psk
from provision.push.diff import FilesUnreadable, diff, fetch, unpack
from provision.push.inventory import Deployment
from provision.push.plan import Target
from provision.push.poll import StatusQuery
from provision.push.result import Outcome, PushResult


def with_diff(wanted: Deployment, target: Target, result: PushResult) -> PushResult:
    """The result of a dry run, with the diff of all that would change."""
    if result.outcome is not Outcome.WOULD_CHANGE:
        return result
    query = StatusQuery.read(wanted.folder / "status_query.json")
    try:
        live = fetch(query, wanted.endpoint, result.changed)
    except FilesUnreadable as error:
        return replace(result, reason=f"its files could not be read for a diff: {error}")
    new = unpack((wanted.folder / "settings.tar").read_bytes())
    return replace(result, diff=diff(result.changed, live, new, secret_values(target)))


def secret_values(target: Target) -> list[str]:
    """All that must not be shown, as it may stand in a file."""
    secrets = target.secrets
    radio = target.boat.profile.network.access_point
    pass_phrases = [secrets.pass_phrase, *secrets.own_pass_phrases.values()]
    return [secrets.host_key, *pass_phrases, *(psk(each, radio.ssid) for each in pass_phrases)]
