# SPDX-License-Identifier: GPL-3.0-or-later
"""Find the next step on the way from the boats' files to boats at sea."""

from __future__ import annotations

import contextlib
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from provision.errors import UserError
from provision.paths import BOATS, argument, folder_option
from provision.profile import load
from provision.profile.secrets import store
from provision.push.records.built import find_evidence, find_image
from provision.push.records.known_boats import recall
from provision.push.records.lost_secrets import find_loss
from provision.push.records.written_cards import read_cards

#: Boats that are named in one command or one sentence at most.
MAX_NAMES = 4


@dataclass(frozen=True)
class NextStep:
    """Hold what boats that are equally far lack, and the command that brings it."""

    lacks: str
    command: str


def find_next_step(profiles: Sequence[Path], boats: Path) -> NextStep:
    """Return the next step for the boats of the folder `boats`: the first that one of them needs.

    `profiles` are the files of all of them, at least one.
    """
    for needed, one, several, command in _STAGES:
        if behind := [file for file in profiles if _tell(needed, file)]:
            lacks = f"{_join(behind)} {one if len(behind) == 1 else several}"
            return NextStep(lacks, f"provision {command(behind, len(profiles), boats)}")
    everyone = "the boat has" if len(profiles) == 1 else "all boats have"
    return NextStep(f"{everyone} answered before", f"provision fleet{folder_option(boats)}")


def _tell(needed: Callable[[Path], bool], profile: Path) -> bool:
    """Tell if a boat needs a step. A state folder that cannot be read hinders none."""
    with contextlib.suppress(UserError):
        return needed(profile)
    return False


def _join(files: Sequence[Path]) -> str:
    names = [file.stem for file in files]
    if len(names) > MAX_NAMES:
        return f"{', '.join(names[:MAX_NAMES])} and {len(names) - MAX_NAMES} more"
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _for_all(verb: str) -> Callable[[list[Path], int, Path], str]:
    """Return what writes a command for all boats that are behind."""

    def write(behind: list[Path], count: int, boats: Path) -> str:
        if len(behind) == count > 1:
            return f"{verb} --all{folder_option(boats)}"
        return " ".join([verb, *(_name(file, boats) for file in behind[:MAX_NAMES])])

    return write


def _build_card(behind: list[Path], _count: int, boats: Path) -> str:
    image = shlex.quote(f"{behind[0].stem}.img")
    return f"card {_name(behind[0], boats)} -o {image}"


def _write_card(behind: list[Path], count: int, boats: Path) -> str:
    image = find_image(behind[0])
    if image is None:
        return _build_card(behind, count, boats)
    if image.parent == Path.cwd():
        image = Path(image.name)
    return f"write {shlex.quote(str(image))}{folder_option(boats)}"


def _ask_fleet(behind: list[Path], count: int, boats: Path) -> str:
    """Ask all boats, which needs no option, or those that are behind."""
    command = _for_all("fleet")(behind, count, boats)
    return command.replace(" --all", "")


def _name(file: Path, boats: Path) -> str:
    return argument(BOATS / file.name) if boats == BOATS else argument(file)


def _has_written_card(profile: Path) -> bool:
    """Tell if a card was written, here or on another laptop that shares the folder."""
    try:
        return bool(read_cards(profile))
    except UserError:
        return False


def _is_invalid(profile: Path) -> bool:
    try:
        load.read(profile)
    except UserError:
        return True
    return False


#: What a boat may need, in the order of a boat's life: how to tell, what to say of one boat and of
#: several, and the command.
_STAGES = (
    (_is_invalid, "has a mistake in its file", "have mistakes in their files", _for_all("check")),
    (
        lambda file: find_loss(file) is not None,
        "was built with secrets that are not here",
        "were built with secrets that are not here",
        _for_all("keys"),
    ),
    (
        lambda file: not store.secrets_path(file).exists(),
        "has no secrets yet",
        "have no secrets yet",
        _for_all("keys"),
    ),
    (
        lambda file: not find_evidence(file),
        "has no card yet",
        "have no card yet",
        _build_card,
    ),
    (
        lambda file: recall(file) is None and not _has_written_card(file),
        "has an image of its card, and never answered",
        "have images of their cards, and never answered",
        _write_card,
    ),
    (
        lambda file: recall(file) is None,
        "has a written card, and never answered: put it in, and switch on",
        "have written cards, and never answered: put them in, and switch on",
        _ask_fleet,
    ),
)
