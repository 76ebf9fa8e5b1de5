# SPDX-License-Identifier: GPL-3.0-or-later
"""Survey a boat from aboard: the laptop sends this code along, and no file of it stays there.

It runs on Debian's python3 alone, whatever settings the boat has. `plan` looks at what there is,
with `settings`; `program` listens; `stream` talks to the laptop and notices when it is gone; `feed`
asks the boat's feed.
"""
