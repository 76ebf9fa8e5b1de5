# SPDX-License-Identifier: GPL-3.0-or-later
"""Complete what the shell asks for: boats, images, and the names of secrets."""

from __future__ import annotations

import contextlib
import glob
import re
from pathlib import Path

import typer

from provision.errors import UserError
from provision.paths import BOATS


def complete_boat(ctx: typer.Context, incomplete: str) -> list[str]:
    """Name the boats of the folder."""
    return sorted(
        file.stem
        for file in _folder(ctx).glob(f"{glob.escape(incomplete)}*.yml")
        if "." not in file.stem
        and file.is_file()
        and re.search(r"^boat:", file.read_text(errors="replace"), re.MULTILINE)
    )


def complete_boat_or_image(ctx: typer.Context, incomplete: str) -> list[str]:
    """Name the boats of the folder, and the card images that the path begins."""
    images = sorted(glob.glob(f"{glob.escape(incomplete)}*.img"))
    return [*complete_boat(ctx, incomplete), *images]


def complete_rotatable(ctx: typer.Context, incomplete: str) -> list[str]:
    """Name the secrets that `--rotate` replaces: those of each boat, and of tablets."""
    return _beginning(["pass_phrase", "host_key", *_tablets(ctx)], incomplete)


def complete_settable(ctx: typer.Context, incomplete: str) -> list[str]:
    """Name the pass-phrases that `--set` sets."""
    return _beginning(["pass_phrase", *_tablets(ctx)], incomplete)


def _beginning(names: list[str], incomplete: str) -> list[str]:
    return [name for name in names if name.startswith(incomplete)]


def _tablets(ctx: typer.Context) -> list[str]:
    """Name the tablets with a pass-phrase of their own, of the boats named before."""
    from provision.profile import load

    found: list[str] = []
    # Behind an option that still lacks its value, the names are not parsed yet.
    for name in ctx.params.get("names") or ctx.args:
        with contextlib.suppress(UserError):
            profile = load.read(load.find(name, _folder(ctx))).profile
            found += profile.own_pass_phrases
    return list(dict.fromkeys(found))


def _folder(ctx: typer.Context) -> Path:
    return Path(ctx.params.get("boats") or BOATS)
