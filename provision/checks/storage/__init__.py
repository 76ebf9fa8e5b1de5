# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the card is large enough, and how long it lasts under log and history."""

from provision.checks.storage import base, card, charts, history, voyage_log

__all__ = ["FIGURES", "SUBJECTS"]

SUBJECTS = (card.check, charts.check, voyage_log.check, base.check)
FIGURES = (card.figures, charts.figures, voyage_log.figures, history.figures, base.figures)
