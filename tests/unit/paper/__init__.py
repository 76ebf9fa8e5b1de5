# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of what is plugged in where, on sheets and labels."""
