# SPDX-License-Identifier: GPL-3.0-or-later
"""Check what links carry: sentences that a standard has, and that fit through their wires."""

from provision.checks.links import adapters, baud, formatters, harbour_ais, late_steering

__all__ = ["FIGURES", "SUBJECTS"]

SUBJECTS = (
    baud.check,
    harbour_ais.check,
    formatters.check,
    adapters.check,
    late_steering.check,
)
FIGURES = (baud.figures, harbour_ais.figures)
