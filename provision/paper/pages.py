# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold pages as HTML, and make them of templates that escape every value."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Any, Literal

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from provision import paths
from provision.onboard.page.view.text import clean
from provision.paper.drawing import draw_arrow, draw_cable, draw_ruler

#: What a file of pages holds.
Kind = Literal["sheet", "labels"]

#: Characters of a name that are shown: what is longer would push other things off the page.
MAX_NAME_CHARS = 40


class Paper(StrEnum):
    """The size of the paper."""

    A4 = "a4"
    LETTER = "letter"


@dataclass(frozen=True)
class Pages:
    """Hold pages of some boats, to be printed."""

    kind: Kind
    html: str
    private: bool
    """Whether a pass-phrase stands on them."""


def fill(template: str, **values: Any) -> str:
    """Return a template filled in. Every value is escaped unless it is markup of ours."""
    return _environment().get_template(template).render(values)


def show_name(text: object, most: int = MAX_NAME_CHARS) -> Markup:
    """Write a name as its own run of text, so that it turns nothing around it.

    Control and format characters are left out.
    """
    return Markup("<bdi>{}</bdi>").format(clean(text, most))


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(paths.PACKAGE / "paper" / "templates"),
        undefined=StrictUndefined,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["name"] = show_name
    environment.globals |= {
        "cable": draw_cable(kind="loose"),
        "fixed_cable": draw_cable(kind="fixed"),
        "waves": draw_cable(kind="air"),
        "arrow": draw_arrow,
        "ruler": draw_ruler,
        "wifi": Markup('<span class="whole">Wi-Fi</span>'),
    }
    return environment
