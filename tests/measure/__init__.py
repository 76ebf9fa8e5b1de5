# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures of the command and of what runs aboard."""
