# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the card is large enough, and how long it lasts under log and history."""

from provision.checks.storage import card, history, voyage_log

__all__ = ["FIGURES", "SUBJECTS"]

SUBJECTS = (card.check, voyage_log.check)
FIGURES = (card.figures, voyage_log.figures, history.figures)
