# SPDX-License-Identifier: GPL-3.0-or-later
"""Write an image to a card, past all that must not be written to.

Its faces are `block_devices`, which lists and refuses devices, and `write.write_card`.
"""
