# SPDX-License-Identifier: GPL-3.0-or-later
"""Put a boat on paper: the sheet for the chart table, and labels for adapters and cables.

`wiring` says what is plugged in where, `sheet` and `labels` make pages of it, `pdf` and `output`
write them. One HTML source serves browsers and PDF.
"""

from provision.paper.labels import make_labels
from provision.paper.pages import Kind, Pages, Paper
from provision.paper.sheet import make_sheets

__all__ = ["Kind", "Pages", "Paper", "make_labels", "make_sheets"]
