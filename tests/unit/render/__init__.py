# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of what is rendered for a boat, and of what its readers make of it."""
