# SPDX-License-Identifier: GPL-3.0-or-later
"""Serve the page and its data to browsers."""
