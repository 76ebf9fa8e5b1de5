# SPDX-License-Identifier: GPL-3.0-or-later
"""Define what a card holds: partitions, file systems, files of a boot loader, digests.

Its face is `partitions.Layout`. Its one table of partitions is where sizes and names are written.
"""
