# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of the bench with real terminals and sockets, in real time."""
