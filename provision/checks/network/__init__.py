# SPDX-License-Identifier: GPL-3.0-or-later
"""Check what the feed reaches on the network, and the radio of the Wi-Fi."""

from provision.checks.network import reachability, wifi

__all__ = ["FIGURES", "SUBJECTS"]

SUBJECTS = (wifi.check, reachability.check)
FIGURES = (wifi.figures,)
