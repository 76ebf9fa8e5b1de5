# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the sockets and the battery feed the computer, and the copper between them."""

from provision.checks.power import supply, usb, wiring

__all__ = ["FIGURES", "SUBJECTS"]

SUBJECTS = (usb.check, supply.check, wiring.check)
FIGURES = (usb.figures, supply.figures, wiring.figures)
