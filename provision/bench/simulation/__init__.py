# SPDX-License-Identifier: GPL-3.0-or-later
"""Play one sailing boat: what each of its instruments says, and when."""
