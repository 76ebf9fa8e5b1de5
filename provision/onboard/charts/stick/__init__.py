# SPDX-License-Identifier: GPL-3.0-or-later
"""Read a stick that may be damaged, or lie: mount it, choose its names, list its files."""
