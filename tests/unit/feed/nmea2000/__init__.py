# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of NMEA 2000 groups and the sentences made of them."""
