# SPDX-License-Identifier: GPL-3.0-or-later
"""Show people aboard what the boat hears, knows and is, on a page of the boat's own network.

Nothing on the page changes anything. `decode` reads values from sentences, `view` makes plain data
of the feed's state and the computer's health, `server` serves both to browsers.
"""
