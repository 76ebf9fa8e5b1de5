# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests on the bench: boats' own cards in an emulator."""
