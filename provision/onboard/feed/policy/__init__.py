# SPDX-License-Identifier: GPL-3.0-or-later
"""Decide what passes: which source, who steers, how old, how often, no loops."""
