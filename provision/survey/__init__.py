# SPDX-License-Identifier: GPL-3.0-or-later
"""Find out what instruments say on the wires of a boat that has no profile yet.

`adapters` lists the USB serial adapters. `listening` listens on their ports side by side, and
never sends. `search` decides from received bytes alone, without a clock of its own, which baud
rate a talker has, with `evidence` and `shape`. `likely` and `words` name what was found. `can`
listens on NMEA 2000 networks, and `groups` counts. `aboard` surveys a running boat, and `remote`
sends it there.
"""
