# SPDX-License-Identifier: GPL-3.0-or-later
"""Read /etc/boat/feed.json."""
