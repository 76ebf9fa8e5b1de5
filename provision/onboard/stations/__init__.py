# SPDX-License-Identifier: GPL-3.0-or-later
"""Who has joined the boat's Wi-Fi by which pass-phrase: hostapd's knowledge, and no more of it.

Runs on Debian's python3 alone. `server` answers the feed, `hostapd` asks hostapd.
"""
