# SPDX-License-Identifier: GPL-3.0-or-later
"""The progress of a base is read from what mmdebstrap prints."""

from __future__ import annotations

from provision.card.base.mmdebstrap_progress import Progress

#: Lines of mmdebstrap 1.5.7, apt 3.0.4 and dpkg 1.22, less most of their packages.
PRINTED = """\
I: running apt-get update...
Get:1 http://mirror.example/debian trixie InRelease [140 kB]
I: downloading packages with apt...
0 upgraded, 2 newly installed, 0 to remove and 0 not upgraded.
Need to get 25.4 MB of archives.
Get:1 http://mirror.example/debian trixie/main amd64 libc6 amd64 2.41-12 [2850 kB]
Get:2 http://mirror.example/debian trixie/main amd64 mawk amd64 1.3.4 [141 kB]
Get:2 http://mirror.example/debian trixie/main amd64 mawk amd64 1.3.4 [141 kB]
I: extracting archives...
I: installing essential packages...
Preparing to unpack .../libc6_2.41-12_amd64.deb ...
Unpacking libc6:amd64 (2.41-12) ...
Setting up libc6:amd64 (2.41-12) ...
0 upgraded, 124 newly installed, 0 to remove and 0 not upgraded.
Unpacking login.defs (1:4.17.4-2) ...
update-initramfs: Generating /boot/initrd.img-6.12.0-amd64
I: running --customize-hook in shell: sh -c 'true' exec /tmp/mmdebstrap.x
I: creating tarball...
"""


def test_packages_are_counted_by_round() -> None:
    progress = Progress()
    told = [far for line in PRINTED.splitlines() if (far := progress.read(line))]
    assert told == [
        "reading the lists of packages",
        "fetched 1 of 2 packages",
        "fetched 2 of 2 packages",
        "fetched 2 of 2 packages",
        "extracting the first packages",
        "unpacked 1, set up 0 of 2 packages",
        "unpacked 1, set up 1 of 2 packages",
        "unpacked 1, set up 0 of 124 packages",
        "making the initramfs",
        "setting the system up",
        "packing the system",
    ]
