# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests, in real time, of the suite that proves a boat."""
