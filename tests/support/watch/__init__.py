# SPDX-License-Identifier: GPL-3.0-or-later
"""Histories and computers for tests of boat-watch."""
