# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that plays a voyage log back: replay."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.common import Json, app, show
from provision.cli.help import Command, example
from provision.errors import UserError

if TYPE_CHECKING:
    from provision.bench.replay.replay import PlayedCounts


@app.command(
    name="replay", cls=Command, epilog=example("replay log-000012-2026-05-03.gz --from 14:05")
)
def command(  # noqa: PLR0913
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE", help="Files of a voyage log, in their order."),
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
        float, typer.Option(min=0.01, max=1000, metavar="N", help="So many times as fast as life.")
    ] = 1.0,
    begin: Annotated[
        str, typer.Option("--from", metavar="TIME", help="Begin at, such as 14:05, in UTC.")
    ] = "",
    as_json: Json = False,
) -> None:
    """Play a voyage log back, on a held bench or here."""

    # Here, so that no other command waits for the bench's libraries.
    from provision.bench.hold.client import find_held, link_sockets
    from provision.bench.replay.replay import parse_start, read_recording, replay
    from provision.bench.replay.replay_wires import CONFIG_FILE, connect_sockets, open_terminals
    from provision.progress import note, step

    if bench and folder:
        raise UserError("--bench and --terminals do not go together", hint="leave one out")
    with step("Reading the log"):
        recordings = [read_recording(file) for file in files]
    for recording in recordings:
        if recording.damaged:
            note(f"{recording.file}: {recording.damaged} damaged bytes are left out")
    start = parse_start(begin, recordings) if begin else None
    origins = sorted({origin for recording in recordings for origin in recording.origins})
    wires = (
        open_terminals(folder, origins)
        if folder
        else connect_sockets(link_sockets(find_held(bench), origins))
    )
    with wires as handles:
        if folder:
            note(
                f"a feed for them: python -m provision.onboard.feed --config {folder / CONFIG_FILE}"
            )
        played = replay(recordings, start, handles, pace)
    if as_json:
        show({"sent": played.sent, "lost": played.lost, "left_out": played.left_out})
    else:
        _print_counts(played)


def _print_counts(played: PlayedCounts) -> None:
    from provision.progress import note

    for link, count in sorted(played.sent.items()):
        note(f"{link}: {count} sentences")
    for link, count in sorted(played.lost.items()):
        note(f"{link}: {count} sentences that nobody took")
    for origin, count in sorted(played.left_out.items()):
        note(f"{origin}: {count} sentences left out, the bench has no such link")
