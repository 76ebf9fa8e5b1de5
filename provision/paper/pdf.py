# SPDX-License-Identifier: GPL-3.0-or-later
"""Lay pages out and write them as PDF, by WeasyPrint. It is read when it is needed."""

from __future__ import annotations

import logging
from typing import Any

from provision.errors import UserError
from provision.paper.pages import Kind

#: What the extra `pdf` needs of Debian, beside fonts (WeasyPrint's documentation, and tried).
DEBIAN_PACKAGES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-liberation"

_HINT = (
    "in the checkout of provision: tools/install --pdf (or pip's extra provision[pdf]), and of "
    f"Debian: apt install {DEBIAN_PACKAGES}. Or name FILE.html, and print it from a browser"
)


def write_pdf(html: str, kind: Kind) -> bytes:
    """Return the pages as a tagged PDF. The same pages give the same bytes on one computer.

    Raise UserError if WeasyPrint or a library that it needs is missing.
    """
    made = _lay_out(html).write_pdf(pdf_identifier=identify(kind), pdf_tags=True)
    assert isinstance(made, bytes)
    return made


def count_pages(html: str) -> int:
    """Return how many pages a document takes."""
    return len(_lay_out(html).pages)


def identify(kind: Kind) -> bytes:
    """Return the file identifier (ISO 32000-1, 14.4) by which PDF files of ours are known."""
    return f"provision-{kind}".encode()


def require() -> None:
    """Raise UserError if WeasyPrint is missing."""
    _load()


def _lay_out(html: str) -> Any:
    weasyprint = _load()
    # All that the pages need stands in them: no address is ever looked up.
    refuse_all = weasyprint.urls.URLFetcher(allowed_protocols=())
    return weasyprint.HTML(string=html, url_fetcher=refuse_all).render()


def _load() -> Any:
    try:
        import weasyprint  # noqa: PLC0415
    except ImportError as error:
        raise UserError("WeasyPrint is missing, which makes PDF files", hint=_HINT) from error
    except OSError as error:
        # Its libraries are opened when it is imported.
        raise UserError(
            "a library is missing that WeasyPrint needs to make PDF files", hint=_HINT
        ) from error
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    return weasyprint
