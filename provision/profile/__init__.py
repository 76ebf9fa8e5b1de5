# SPDX-License-Identifier: GPL-3.0-or-later
"""Read one boat's YAML file into typed models."""
