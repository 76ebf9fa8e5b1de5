# SPDX-License-Identifier: GPL-3.0-or-later
"""Connect the bench's instruments with the boat's adapters by wires that have a baud rate."""
