# SPDX-License-Identifier: GPL-3.0-or-later
"""Describe the boat as it is, apart from its profile: the adapters and what is wired to them."""
