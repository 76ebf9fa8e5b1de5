# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold the profile of one boat as typed and validated models."""
