# SPDX-License-Identifier: GPL-3.0-or-later
"""`python -m provision` is the `provision` command."""

from provision.cli import main

if __name__ == "__main__":
    main()
