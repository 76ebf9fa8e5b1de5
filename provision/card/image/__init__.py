# SPDX-License-Identifier: GPL-3.0-or-later
"""Assemble the card of one boat in a plain file, and read from such a file what it is.

Its faces are `assemble.assemble`, and `identity`, which reads and checks an image.
"""
