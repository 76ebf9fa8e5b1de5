# SPDX-License-Identifier: GPL-3.0-or-later
"""Copy charts from a USB stick onto the card, and offer them to tablets.

`stick` mounts a stick and lists what is on it, `keep` copies it, `serve` answers tablets. The
boat's page reads how far a copy is from the file that `state` writes.
"""
