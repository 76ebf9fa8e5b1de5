# SPDX-License-Identifier: GPL-3.0-or-later
"""Every dependency is locked to the digests of its files, and none to an address."""

import re
import tomllib
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
LOCKS = ("requirements.txt", "requirements-pdf.txt", "requirements-dev.txt")


def locked(name: str) -> dict[str, str]:
    """Return each package of a lock file, and the lines that follow it."""
    text = (TOP / name).read_text().replace("\\\n", " ")
    return {line.partition("==")[0]: line for line in text.splitlines() if line}


def wanted(text: str) -> str:
    """Return a requirement's package, by its normal name (PEP 503)."""
    return re.sub(r"[-_.]+", "-", re.split(r"[<>=!~\[; ]", text)[0]).lower()


@pytest.mark.parametrize("name", LOCKS)
def test_each_package_has_one_version_and_digests(name: str) -> None:
    for package, line in locked(name).items():
        assert re.fullmatch(
            r"[a-z0-9-]+==[^ ]+( +; [^-]+)?( +--hash=sha256:[0-9a-f]{64})+ *", line
        ), package


@pytest.mark.parametrize("name", LOCKS)
def test_no_address_stands_in_it(name: str) -> None:
    assert not re.search(r"://|--index|--find-links|--extra", (TOP / name).read_text())


def test_what_the_project_names_is_locked() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text())
    needed = {wanted(one) for one in project["project"]["dependencies"]}
    build = {wanted(one) for one in project["build-system"]["requires"]}
    dev = {wanted(one) for one in project["project"]["optional-dependencies"]["dev"]}
    pdf = {wanted(one) for one in project["project"]["optional-dependencies"]["pdf"]}
    assert needed | build <= locked("requirements.txt").keys()
    assert needed | build | pdf <= locked("requirements-pdf.txt").keys()
    assert needed | build | dev | pdf <= locked("requirements-dev.txt").keys()


def test_a_user_gets_the_versions_that_were_tested() -> None:
    tested = locked("requirements-dev.txt")
    for name in ("requirements.txt", "requirements-pdf.txt"):
        assert all(tested[package] == line for package, line in locked(name).items())
