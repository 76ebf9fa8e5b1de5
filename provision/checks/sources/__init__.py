# SPDX-License-Identifier: GPL-3.0-or-later
"""Check who decides: which source is believed, who steers, who sets the clock."""

from provision.checks.sources import clock, loops, preference, steering

__all__ = ["FIGURES", "SUBJECTS"]

SUBJECTS = (preference.check, steering.check, loops.check, clock.check)
FIGURES = (clock.figures,)
