# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests with real programs of this machine; no emulator, no built base."""
