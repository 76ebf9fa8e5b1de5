# SPDX-License-Identifier: GPL-3.0-or-later
"""Make a kit: a folder from which a laptop makes boats' cards again without a network.

`contents` lists all files of a kit: the tool (`code`), `programs`, and what `boats` need. `write`
brings a folder up to date. `starter` is copied into the kit, and starts the tool from there.
"""

from provision.kit.contents import Wanted, list_files
from provision.kit.write import Written, check_target, write_kit

__all__ = ["Wanted", "Written", "check_target", "list_files", "write_kit"]
