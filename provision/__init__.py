# SPDX-License-Identifier: GPL-3.0-or-later
"""Turn one YAML profile per boat into the boat's onboard computer."""

__version__ = "0.2.0"
