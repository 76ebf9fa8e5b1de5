# SPDX-License-Identifier: GPL-3.0-or-later
"""Find the code of the feed, and of the programs beside it, for the settings.

It travels in the settings, so that a push can change it on trial. The base has the same code
compiled, at the paths where Python looks for compiled files. A compiled file counts only if it was
made from exactly these bytes: a boat whose settings are newer than its base compiles at each start.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from provision import paths

#: The folder where Python looks for it.
CODE_FOLDER = "/usr/lib/boat"

#: The kinds of files that the page's program is made of.
PAGE_SUFFIXES = (".py", ".html", ".css", ".js", ".svg")


def list_feed_code() -> dict[str, Path]:
    """Map the path aboard of each source file that every boat has to its path here."""
    package = paths.PACKAGE
    sources = [
        package / "__init__.py",
        package / "onboard" / "__init__.py",
        *(package / "onboard" / "feed").rglob("*.py"),
        *(package / "onboard" / "stations").rglob("*.py"),
        *(package / "onboard" / "watch").rglob("*.py"),
    ]
    return _map(sources)


def list_page_code() -> dict[str, Path]:
    """Map the same of the page's program, and of the files that it serves.

    It imports modules of the feed and of boat-watch.
    """
    folder = paths.PACKAGE / "onboard" / "page"
    found = [one for one in folder.rglob("*") if one.suffix in PAGE_SUFFIXES]
    return _map([*found, *_web()])


def list_charts_code() -> dict[str, Path]:
    """Map the same of the program that copies charts and offers them."""
    return _map([*(paths.PACKAGE / "onboard" / "charts").rglob("*.py"), *_web()])


def _web() -> Iterable[Path]:
    """Return the source files that all servers of HTTP share."""
    return (paths.PACKAGE / "onboard" / "web").rglob("*.py")


def _map(sources: Iterable[Path]) -> dict[str, Path]:
    package = paths.PACKAGE
    return {
        f"{CODE_FOLDER}/provision/{one.relative_to(package).as_posix()}": one for one in sources
    }
