# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of NMEA 2000 links in a feed that runs."""
