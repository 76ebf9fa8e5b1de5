# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that plays a voyage log back: replay."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from provision.bench import replay as playing
from provision.bench.hold import held
from provision.bench.replay import Played, Recording
from provision.bench.wires import CONFIG, Wire, is_open, sockets, terminals
from provision.cli.common import Json, app, show
from provision.errors import UserError
from provision.steps import note, step

#: Seconds between two looks whether a feed has opened the terminals.
LOOK = 0.1

#: Seconds that whoever listens gets to take the last sentence.
LINGER = 0.5


@app.command()
def replay(  # noqa: PLR0913
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="Files of a voyage log, in their order."),
    ],
    bench: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="What a held bench printed as JSON, if more than one."),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option(
            "--terminals", metavar="DIR", help="Play on terminals in DIR, for a feed here."
        ),
    ] = None,
    pace: Annotated[
        float, typer.Option(min=0.01, max=1000, help="So many times as fast as life.")
    ] = 1.0,
    begin: Annotated[
        str, typer.Option("--from", metavar="TIME", help="Begin at, such as 14:05, in UTC.")
    ] = "",
    as_json: Json = False,
) -> None:
    """Play a voyage log back, on a held bench or to a feed on this computer."""
    if bench and folder:
        raise UserError("--bench and --terminals do not go together", hint="leave one out")
    with step("Reading the log"):
        recordings = [playing.survey(file) for file in files]
    start = playing.start_of(begin, recordings) if begin else None
    origins = sorted({origin for one in recordings for origin in one.origins})
    wires: AbstractContextManager[Mapping[str, int]]
    wires = terminals(folder, origins) if folder else sockets(_links(held(bench), origins))
    with wires as handles:
        if folder:
            note(f"a feed for them: python -m provision.onboard.feed --config {folder / CONFIG}")
        played = asyncio.run(_play(recordings, start, handles, pace, wait=folder is not None))
    _tell(played, as_json)


def _links(where: Mapping[str, object], origins: Sequence[str]) -> dict[str, Path]:
    """The sockets of the links that the log has sentences of."""
    links = where["links"]
    assert isinstance(links, dict)
    found = {origin: Path(links[origin]) for origin in origins if origin in links}
    if not found:
        raise UserError(
            f"the log has sentences of {', '.join(origins)}, of which the bench has none",
            hint="hold a bench of the boat that the log is of",
        )
    return found


async def _play(
    recordings: Sequence[Recording],
    start: datetime | None,
    handles: Mapping[str, int],
    pace: float,
    *,
    wait: bool,
) -> Played:
    if wait:
        with step("Waiting for a feed"):
            while not all(map(is_open, handles.values())):
                await asyncio.sleep(LOOK)
    played = Played()
    first, last = recordings[0], recordings[-1]
    begin, end = start or first.moment(first.begin), last.moment(last.end)
    wires = {link: Wire(link, handle) for link, handle in handles.items()}
    try:
        with step(f"Playing {begin:%Y-%m-%d %H:%M:%S} to {end:%Y-%m-%d %H:%M:%S} UTC"):
            await playing.play(playing.timeline(recordings, start), wires, pace, played)
            await asyncio.sleep(LINGER)
    finally:
        for wire in wires.values():
            wire.close()
    return played


def _tell(played: Played, as_json: bool) -> None:
    if as_json:
        show({"sent": played.sent, "lost": played.lost, "left_out": played.left_out})
        return
    for link, count in sorted(played.sent.items()):
        note(f"{link}: {count} sentences")
    for link, count in sorted(played.lost.items()):
        note(f"{link}: {count} sentences that nobody took")
    for origin, count in sorted(played.left_out.items()):
        note(f"{origin}: {count} sentences left out, the bench has no such link")
