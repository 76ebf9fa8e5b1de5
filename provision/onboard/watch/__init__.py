# SPDX-License-Identifier: GPL-3.0-or-later
"""Watch the boat's computer and links once a minute, and remember what they were like.

`facts` takes the samples, `memory` keeps them in RAM and on the card, `answer` makes plain data of
them for the page and the operator.
"""
