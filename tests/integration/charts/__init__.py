# SPDX-License-Identifier: GPL-3.0-or-later
"""Sticks that are copied, cut off, or lie, and tablets that fetch charts."""
