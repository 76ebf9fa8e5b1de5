# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats to push to, without an emulator or with one, and the laptop."""
