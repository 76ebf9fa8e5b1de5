# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that reads voyage logs: log."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.common import BoatName, Boats, Json, app, show
from provision.cli.help import Command, example
from provision.errors import Location, UserError
from provision.paths import BOATS, folder_option

if TYPE_CHECKING:
    from provision.voyages.days import Day, Logbook


@app.command(
    name="log", cls=Command, epilog=example("log kittiwake --day 2026-05-03 --gpx sail.gpx")
)
def command(  # noqa: PLR0913
    name: BoatName,
    boats: Boats = BOATS,
    backup: Annotated[
        Path | None,
        typer.Option("--from", metavar="DIR", help="Where `backup` has put its copies."),
    ] = None,
    day: Annotated[
        str, typer.Option(metavar="DATE", help="A day in this computer's local time.")
    ] = "",
    gpx: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the day's track as GPX.")
    ] = None,
    plain: Annotated[
        Path | None,
        typer.Option("--sentences", metavar="FILE", help="Write the day's sentences as heard."),
    ] = None,
    source: Annotated[
        str, typer.Option(metavar="LINK", help="Take fixes from this link, not the busiest.")
    ] = "",
    every: Annotated[
        float, typer.Option(min=0, metavar="SECONDS", help="Seconds between points of the track.")
    ] = 10.0,
    as_json: Json = False,
) -> None:
    """List the days of a boat's voyage log, and export one.

    Reads the copies that `provision backup` has made, and asks no boat.
    """

    from provision.profile.secrets import private_file
    from provision.voyages.days import Logbook

    folder = _folder(name, boats, backup)
    logbook = Logbook(_files(folder, name, boats))
    days = logbook.days()
    if day:
        days = [_named(days, day)]
    elif gpx or plain:
        days = [_only(days)]
    for out, text in _exports(logbook, days, gpx, plain, source, every, name):
        private_file.write(out, text)
    if as_json:
        show({"boat": name, "damaged": logbook.damaged, "days": [_plain(logbook, d) for d in days]})
        return
    for found in days:
        begin, end = logbook.local(found.begin), logbook.local(found.end)
        heard = ", ".join(f"{origin} {count}" for origin, count in sorted(found.sentences.items()))
        print(f"{found.day}  {begin:%H:%M} to {end:%H:%M}  {heard}")
    if logbook.damaged:
        print(f"{logbook.damaged} damaged bytes were left out")


def _folder(name: str, boats: Path, backup: Path | None) -> Path:
    from provision.backup.store import FOLDER
    from provision.profile import load

    file = load.find(name, boats)
    return (backup or file.parent / FOLDER) / file.stem / "log"


def _files(folder: Path, name: str, boats: Path) -> list[Path]:
    from provision.onboard.feed.voyage_log.files import files

    found = files(str(folder)) if folder.is_dir() else []
    if not found:
        raise UserError(
            "there is no voyage log here",
            location=Location(folder),
            hint=f"copy it from the boat first: provision backup {name}{folder_option(boats)}; "
            "a boat logs with the key `log` in its file",
        )
    return [folder / one for one in found]


def _named(days: Sequence[Day], text: str) -> Day:
    try:
        wanted = date.fromisoformat(text)
    except ValueError:
        raise UserError(f"{text!r} is no day", hint="write it as 2026-05-03") from None
    for day in days:
        if day.day == wanted:
            return day
    there = ", ".join(str(day.day) for day in days[-7:]) or "none"
    raise UserError(f"the log has nothing of {wanted}", hint=f"its last days are {there}")


def _only(days: Sequence[Day]) -> Day:
    if len(days) != 1:
        raise UserError(
            f"the log has {len(days)} days, and no --day says which",
            hint=f"add --day {days[-1].day}" if days else "copy the log again",
        )
    return days[0]


def _exports(  # noqa: PLR0913
    logbook: Logbook,
    days: Sequence[Day],
    gpx: Path | None,
    plain: Path | None,
    source: str,
    every: float,
    name: str,
) -> list[tuple[Path, bytes]]:
    from provision.voyages.export import choose_source, sentences, track

    if not (gpx or plain):
        return []
    (day,) = days
    entries = list(logbook.of(day))
    made = []
    if gpx:
        if source and source not in day.sentences:
            raise UserError(
                f"nothing was heard from {source} on {day.day}",
                hint=f"there are {', '.join(sorted(day.sentences))}",
            )
        chosen = source or choose_source(entries)
        made.append((gpx, track(entries, chosen, f"{name} {day.day}", every).encode()))
    if plain:
        made.append((plain, sentences(entries)))
    return made


def _plain(logbook: Logbook, day: Day) -> dict[str, object]:
    return {
        "day": str(day.day),
        "begin": logbook.local(day.begin).isoformat(timespec="seconds"),
        "end": logbook.local(day.end).isoformat(timespec="seconds"),
        "sentences": dict(day.sentences),
        "files": [file.name for file in day.files],
    }
