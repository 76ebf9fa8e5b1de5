# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of the suite that proves a boat."""
