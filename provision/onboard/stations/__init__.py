# SPDX-License-Identifier: GPL-3.0-or-later
"""Report which pass-phrase a station joined the boat's Wi-Fi with, and nothing else of hostapd.

Runs on Debian's python3 alone. `server` answers the feed, `hostapd` asks hostapd.
"""
