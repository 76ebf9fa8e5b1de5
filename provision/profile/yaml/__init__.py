# SPDX-License-Identifier: GPL-3.0-or-later
"""Read YAML text with the location of each value, and explain errors in plain words."""
