# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw as SVG. What a drawing shows also stands in words beside it."""
