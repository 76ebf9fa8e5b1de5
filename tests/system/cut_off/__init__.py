# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests that cut off a push, or a write to the card, at every step: longer than all others."""
