# SPDX-License-Identifier: GPL-3.0-or-later
"""Make links of a profile from what a survey heard.

`link` drafts one link of one report. `new` writes a whole profile. `matching` finds the links of
an existing profile that reports are about, `corrections` what differs, and `into` changes its text.
"""
