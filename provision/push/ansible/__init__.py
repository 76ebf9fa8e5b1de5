# SPDX-License-Identifier: GPL-3.0-or-later
"""Run the playbook by Ansible, over an inventory of plain data."""
