# SPDX-License-Identifier: GPL-3.0-or-later
"""Write pages into a file, as HTML or PDF. Replace only a file of the same kind."""

from __future__ import annotations

from pathlib import Path

from provision.errors import Location, UserError
from provision.paper import pdf
from provision.paper.pages import Kind, Pages
from provision.profile.secrets import own_file

#: How much of a file's beginning and of its end is read to know it.
_MARK_OCTETS = 4096


def check_target(file: Path, kind: Kind) -> None:
    """Refuse a file that cannot be written, before the user is asked for a password."""
    if file.suffix not in (".pdf", ".html"):
        raise UserError(
            "is neither a .pdf nor a .html file",
            location=Location(file),
            hint=f"name a file such as {kind}.pdf or {kind}.html",
        )
    if is_pdf(file):
        pdf.require()
    own_file.exists(file, _recognises(kind))


def is_pdf(file: Path) -> bool:
    """Tell if pages go into this file as PDF."""
    return file.suffix == ".pdf"


def write(file: Path, pages: Pages) -> None:
    """Write pages, for the owner's eyes alone.

    Raise UserError if something else is there, or if the disk does not keep a pass-phrase private.
    """
    data = pdf.write_pdf(pages.html, pages.kind) if is_pdf(file) else pages.html.encode()
    own_file.write(file, data, _recognises(pages.kind), secret=pages.private)


def _recognises(kind: Kind) -> own_file.Recognises:
    """Return what tells if a file holds pages of this kind, by its comment or identifier."""
    comment = f"<!-- provision {kind} -->".encode()
    identifier = b"/ID [(%b) " % pdf.identify(kind)

    def recognises(file: Path) -> bool:
        content = file.read_bytes()
        if content.startswith(b"%PDF-"):
            return identifier in content[-_MARK_OCTETS:]
        return comment in content[:_MARK_OCTETS]

    return recognises
