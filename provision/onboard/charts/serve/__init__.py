# SPDX-License-Identifier: GPL-3.0-or-later
"""Answer tablets that list and fetch charts, and take nothing from them."""
