# SPDX-License-Identifier: GPL-3.0-or-later
"""Make a spare of the running boat's card, on a card or stick in a reader aboard.

Its face is `make.make_spare`. `own_card` says what the boat runs from, `target` what may be
written, `table` divides it, `copy` takes whole partitions, `data` the files of the data partition.
"""
