# SPDX-License-Identifier: GPL-3.0-or-later
"""The wheel holds no secret of a boat."""

from __future__ import annotations

import tomllib

from provision import paths


def test_of_the_boats_only_profiles_and_hulls_are_shipped() -> None:
    """A boat that was tried in a checkout has left secrets and a private key in that folder."""
    root = paths.PACKAGE.parent
    project = tomllib.loads((root / "pyproject.toml").read_text())
    included = project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    profiles = {
        f"boats/{file.name}"
        for file in (root / "boats").glob("*.yml")
        if not file.name.endswith(".secrets.yml")
    }
    assert {source for source in included if source.startswith("boats")} == profiles | {
        "boats/hulls"
    }
    assert all(included[source] == f"provision/shipped/{source}" for source in included)
