# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of asking boats, and of what they answer."""
