# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of what decides which sentences pass."""
