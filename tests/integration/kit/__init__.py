# SPDX-License-Identifier: GPL-3.0-or-later
"""Kits of small bases, used where there is no network."""
