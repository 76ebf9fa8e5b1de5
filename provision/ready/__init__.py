# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell whether a boat's card could be made again now, on this computer, without a network."""

from provision.ready.rebuild import Item, Readiness, look_at

__all__ = ["Item", "Readiness", "look_at"]
