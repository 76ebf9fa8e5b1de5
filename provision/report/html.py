# SPDX-License-Identifier: GPL-3.0-or-later
"""Write a page as one file of HTML that needs no script and nothing from elsewhere."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from provision import __version__
from provision.harmless import harmless
from provision.report.page import Page
from provision.report.plots.bars import draw_shares
from provision.report.words import from_to, join

FOLDER = Path(__file__).parent / "layout"

#: How each report begins. A file that begins otherwise is none, and is never replaced.
BEGINNING = '<!doctype html>\n<html lang="en" data-report="provision">\n'


def write_html(page: Page, started: float, ended: float) -> bytes:
    """Write the page. The times are in seconds since 1970."""
    style = (FOLDER / "page.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    text = (
        _environment()
        .get_template("page.html")
        .render(
            page=page,
            sections=[*enumerate(page.sections, 1)],
            beginning=Markup(BEGINNING),  # noqa: S704 - a constant
            style=Markup(style),  # noqa: S704 - the package's own file
            digest=digest,
            shares=draw_shares(page.shares),
            when=from_to(started, ended),
            version=__version__,
        )
    )
    return text.encode()


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(FOLDER),
        undefined=StrictUndefined,
        autoescape=True,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.tests["drawing"] = _is_drawing
    environment.filters["names"] = join
    return environment


def _is_drawing(cell: object) -> bool:
    return isinstance(cell, Markup) and cell.startswith("<svg")


def _finalize(value: object) -> object:
    """Make a text harmless. Markup is made by `plots` and holds no text of anybody's."""
    return value if isinstance(value, Markup) else harmless(str(value))
