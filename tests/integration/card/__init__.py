# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of cards with the programs that make, mount and read them."""
