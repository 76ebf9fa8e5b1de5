# SPDX-License-Identifier: GPL-3.0-or-later
"""Which files a profile can include."""

from pathlib import Path

import pytest

from provision.errors import UserError
from provision.profile import load


@pytest.mark.parametrize("way", ["absolute", "above", "link"])
def test_an_include_outside_the_boats_folder_is_refused_unread(tmp_path: Path, way: str) -> None:
    outside = tmp_path / "outside.yml"
    outside.write_text("private-line: [not closed\n")
    boats = tmp_path / "boats"
    boats.mkdir()
    (boats / "link.yml").symlink_to(outside)
    named = {"absolute": str(outside), "above": "../outside.yml", "link": "link.yml"}[way]
    (boats / "teal.yml").write_text(f"boat: teal\nincludes: [{named}]\n")
    with pytest.raises(UserError) as refused:
        load.read(boats / "teal.yml")
    assert "is not below the boat's folder" in str(refused.value)
    assert "private-line" not in str(refused.value)
    assert "line 1" not in str(refused.value)
