# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands that reach running boats. `asked` reads what they share."""
