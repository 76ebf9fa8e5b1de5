# SPDX-License-Identifier: GPL-3.0-or-later
"""Define the page that the boat shows to browsers on her own network."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator

from provision.profile.schema.base import Model

#: The port of the page (IANA: http, from memory). Browsers take it without being told.
PAGE_PORT = 80


class PageConfig(Model):
    """The boat's page: what she hears and is, for people on her own network. It changes nothing."""

    pass_phrase: bool = True
    """Whether the page shows the pass-phrase of the boat's Wi-Fi, and a code to join by.

    Only a device that has joined sees the page. A pass-phrase of a tablet's own is never shown.
    """


def _parse_page(value: Any) -> Any:
    """Read true as a page with all that is usual, and false as none."""
    if value is True:
        return {}
    return None if value is False else value


OptionalPage = Annotated[
    PageConfig | None,
    BeforeValidator(_parse_page, json_schema_input_type=bool | PageConfig | None),
]
