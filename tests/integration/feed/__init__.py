# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of the feed with processes, real time and real programs."""
