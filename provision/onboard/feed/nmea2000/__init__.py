# SPDX-License-Identifier: GPL-3.0-or-later
"""Read NMEA 2000 frames, and write their groups as sentences."""
