# SPDX-License-Identifier: GPL-3.0-or-later
"""Show people aboard what the boat hears, knows and is, on a page of the boat's own network.

Nothing on the page changes anything. `facts` has the feed's state, values of sentences and the
computer's health, `view` makes plain data of them, `web` serves both to browsers.
"""
