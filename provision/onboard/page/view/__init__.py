# SPDX-License-Identifier: GPL-3.0-or-later
"""Make plain data, in the words of people aboard, of what the page is about."""
