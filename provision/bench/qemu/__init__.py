# SPDX-License-Identifier: GPL-3.0-or-later
"""Run the emulated board, and plug adapters into it."""
