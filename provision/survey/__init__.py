# SPDX-License-Identifier: GPL-3.0-or-later
"""Find out what instruments say on the wires of a boat that has no profile yet.

`search` decides from received bytes alone, without a clock or a port of its own, which baud rate a
talker has. `shape` reads from bytes at a wrong rate which one is right. `evidence` collects what
speaks for one rate. `inverted` recovers sentences of a line with inverted polarity.
"""
