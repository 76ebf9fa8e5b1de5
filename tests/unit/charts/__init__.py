# SPDX-License-Identifier: GPL-3.0-or-later
"""What is taken of a stick, and which paths and ranges are answered."""
