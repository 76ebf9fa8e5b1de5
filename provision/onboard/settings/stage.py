# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings for another place: left on the card now, on trial from the next start.

The pointer is taken away, safely, before that trial begins: a start that is cut short, or one
after it, is on the kept settings.
"""

from __future__ import annotations

import contextlib
import os

from provision.onboard.settings.archive import read
from provision.onboard.settings.durable import (
    not_kept,
    point,
    store_archive,
    sync_folder,
    write_durably,
)
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.places import Places
from provision.onboard.settings.restore import leave_word
from provision.onboard.settings.state import (
    as_bytes,
    home,
    load_trial,
    pointer,
    read_archive,
    read_json,
    stored,
)
from provision.onboard.settings.system import System
from provision.onboard.settings.trial import Request, fits, trial


def stage(places: Places, system: System, request: Request) -> dict[str, object]:
    """Leave settings for the next start; the caller holds the lock.

    Those that were staged before are replaced. SettingsError when nothing was staged.
    """
    kept = home(places)
    new = read(request.data, request.digest)
    fits(places, kept, new)
    terms = {"owner": request.owner, "seconds": request.seconds}
    try:
        store_archive(places, system, new.data, new.digest)
        drop(places)
        write_durably(places.staged.with_suffix(".json"), as_bytes(terms))
        point(places.staged, new.digest)
    except (OSError, SettingsError) as error:
        on = load_trial(places) is not None
        raise not_kept(error, Exit.ON_TRIAL if on else Exit.REFUSED) from None
    return {"staged": staged(places)}


def unstage(places: Places, _system: System) -> dict[str, object]:
    """Forget what is staged."""
    was = staged(places)
    drop(places)
    return {"staged": None, "was": was}


def begin(places: Places, system: System) -> dict[str, object]:
    """At a start: put on trial what was staged, if anything; the caller holds the lock."""
    found = staged(places)
    if found is None:
        return {"changed": []}
    digest, seconds = str(found["digest"]), int(str(found["seconds"]))
    drop(places)
    try:
        data = read_archive(stored(places, digest))
        return trial(places, system, Request(data, digest, seconds, str(found["owner"])))
    except (OSError, SettingsError) as error:
        what = f"settings {digest[:12]}, staged for {found['owner']}, were not put on trial"
        leave_word(places, system, what, str(error))
        raise


def staged(places: Places) -> dict[str, object] | None:
    """What is staged: digest, owner, and the trial's length in seconds."""
    digest = pointer(places.staged)
    terms = read_json(places.staged.with_suffix(".json"))
    if digest is None or terms is None:
        return None
    seconds = terms.get("seconds")
    if not isinstance(seconds, int):
        return None
    return {"digest": digest, "owner": str(terms.get("owner")), "seconds": seconds}


def drop(places: Places) -> None:
    """Take the pointer away, and see that the card has taken it."""
    for place in (places.staged, places.staged.with_suffix(".json")):
        with contextlib.suppress(FileNotFoundError):
            os.unlink(place)
            sync_folder(places.store)
