# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the list of a folder as one page that needs no script."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from html import escape
from urllib.parse import quote

from provision.onboard.charts.stick.names import fault_of, is_hidden

#: Files and folders that one page lists.
MAX_LISTED = 20_000

_HEAD = """\
<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Charts: {title}</title>
</head>
<body>
<h1>Charts: <bdi>{title}</bdi></h1>
"""


def make_list(folder: int, names: Sequence[str]) -> bytes:
    """Return the page of the folder that `folder` is a descriptor of, at `names` below the top."""
    return "".join(_parts(folder, names)).encode()


def _parts(folder: int, names: Sequence[str]) -> Iterator[str]:
    yield _HEAD.format(title=escape("/".join(names) or "all"))
    yield "<ul>\n"
    if names:
        yield '<li><a href="../">back</a></li>\n'
    rows = sorted(_rows(folder))
    for _, name, size in rows:
        link = f"{quote(name)}{'/' if size is None else ''}"
        # Before a name with a colon the dot keeps a browser from reading a scheme.
        yield f'<li><a href="./{link}"><bdi>{escape(name)}</bdi></a>{_written(size)}</li>\n'
    yield "</ul>\n" if rows else "</ul>\n<p>There is nothing here.</p>\n"
    yield "</body>\n</html>\n"


def _rows(folder: int) -> Iterator[tuple[bool, str, int | None]]:
    """Yield whether it is a file, its name, and its size, or None for a folder."""
    with os.scandir(folder) as entries:
        for number, entry in enumerate(entries):
            if number >= MAX_LISTED:
                return
            if is_hidden(entry.name) or fault_of(entry.name):
                continue
            if entry.is_dir(follow_symlinks=False):
                yield False, entry.name, None
            elif entry.is_file(follow_symlinks=False):
                yield True, entry.name, entry.stat(follow_symlinks=False).st_size


def _written(size: int | None) -> str:
    if size is None:
        return ""
    return f" {size / 10**6:.1f} MB" if size >= 10**5 else f" {size / 1000:.1f} kB"
