# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of cards and built bases, and of a fresh Debian; no emulator."""
