# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat in a folder, for its boat-settings."""
