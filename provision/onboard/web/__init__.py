# SPDX-License-Identifier: GPL-3.0-or-later
"""Understand requests from browsers and other programs, for the servers aboard."""
