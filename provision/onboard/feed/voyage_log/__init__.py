# SPDX-License-Identifier: GPL-3.0-or-later
"""Log everything heard to the card, in files that can be checked."""
