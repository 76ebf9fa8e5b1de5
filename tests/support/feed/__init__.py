# SPDX-License-Identifier: GPL-3.0-or-later
"""A feed to test, and what it talks to."""
