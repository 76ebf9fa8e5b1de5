# SPDX-License-Identifier: GPL-3.0-or-later
"""Make a boat's card: its base, its image, and the copy on a device.

`base` builds the operating system, `image` assembles the card of one boat, and `device` writes it.
`layout` defines what both `base` and `image` put on a card.
"""
