# SPDX-License-Identifier: GPL-3.0-or-later
"""The commands, from what is typed to what is printed."""
