# SPDX-License-Identifier: GPL-3.0-or-later
"""Find what the page is made of: its files beside this one, and the codes of its configuration."""

from __future__ import annotations

from pathlib import Path

from provision.onboard.page.facts.config import PageConfig

#: Path on the server, file beside this one, and type.
FILES = (
    ("/", "page.html", "text/html; charset=utf-8"),
    ("/page.css", "page.css", "text/css; charset=utf-8"),
    ("/page.js", "page.js", "text/javascript; charset=utf-8"),
    ("/icon.svg", "icon.svg", "image/svg+xml"),
)


def read_files(config: PageConfig) -> dict[str, tuple[str, bytes]]:
    """Return type and content of each file, by its path on the server."""
    folder = Path(__file__).parent
    found = {path: (kind, (folder / name).read_bytes()) for path, name, kind in FILES}
    codes = {
        f"/{name}.svg": ("image/svg+xml", drawn.encode()) for name, drawn in config.codes.items()
    }
    return {**found, **codes}
