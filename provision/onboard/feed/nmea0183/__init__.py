# SPDX-License-Identifier: GPL-3.0-or-later
"""Read and write sentences of NMEA 0183 / IEC 61162-1, with their TAG blocks."""
