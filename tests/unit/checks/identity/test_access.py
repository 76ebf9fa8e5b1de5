# SPDX-License-Identifier: GPL-3.0-or-later
"""Login keys that cannot be read."""

from __future__ import annotations

from pathlib import Path

from provision import checks
from tests.unit.checks.tern import boat


def test_keys_that_cannot_be_had(tmp_path: Path) -> None:
    """Each missing key is an error, but the operator's, which `provision keys` makes."""
    (tmp_path / "junk.pub").write_text("ssh-ed25519 AAAA\n")
    tern = boat(tmp_path, ("[operator.pub]", "[operator.pub, mate.pub, junk.pub]"))
    told = checks.check([tern])
    assert [(one.level, one.check) for one in told] == [("error", "access-key")] * 2
    assert str(told[0].location).endswith("tern.yml:9:24: access.keys[1]")
    assert str(told[1].location).endswith("junk.pub:1: access.keys[2]")
    assert all(finding.hint for finding in told)
    (tmp_path / "operator.pub").write_text("")
    assert len(checks.check([tern])) == 3
