# SPDX-License-Identifier: GPL-3.0-or-later
"""Read what comes in: serial links, CAN interfaces, the network."""
