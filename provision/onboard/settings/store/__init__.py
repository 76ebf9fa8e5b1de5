# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold settings and their state across commands in RAM, and across starts on the card."""
