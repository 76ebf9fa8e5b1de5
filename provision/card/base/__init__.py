# SPDX-License-Identifier: GPL-3.0-or-later
"""Build and cache the base, the operating system of a kind of board.

Its face is `cache.get_base`, which returns a `base.Base`. What goes into it lies here too:
`packages.yml`, our own files in `rootfs`, and the scripts that run while it is built.
"""
