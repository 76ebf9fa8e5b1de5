# SPDX-License-Identifier: GPL-3.0-or-later
"""The tests, a folder a lane; `support` has what several lanes use."""
