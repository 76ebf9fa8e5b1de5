# SPDX-License-Identifier: GPL-3.0-or-later
"""Read what the page is about: its configuration, the feed's state, sentences, the computer."""
