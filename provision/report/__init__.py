# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the result of a command as a page of HTML, for people who were not there.

`contents` makes a `Page` of each command's results, the same that `--json` prints. `html` writes
it, `file` keeps a place for it from before the command begins. `plots` draws.
"""
