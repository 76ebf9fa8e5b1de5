# SPDX-License-Identifier: GPL-3.0-or-later
"""A kit has the tool's code and what it needs when it runs, and the same bytes each time."""

from __future__ import annotations

import ast
import io
import tarfile
import tomllib
from pathlib import Path

import pytest

from provision.errors import UserError
from provision.kit.archive import pack
from provision.kit.code import find_requirements, list_code
from provision.kit.fat import MAX_FILE_BYTES, check_names, check_size
from provision.kit.starter import __file__ as starter

TOP = Path(__file__).parents[3]


def test_what_the_tool_needs_is_found_and_no_developers_tool() -> None:
    names = {package.name.lower() for package in find_requirements("provision")}
    assert {"ansible-core", "paramiko", "cffi", "markupsafe", "pydantic-core"} <= {
        name.replace("_", "-") for name in names
    }
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    assert not names & {*project["optional-dependencies"]["dev"], "weasyprint"}


def test_the_tool_is_packed_whole_and_without_secrets() -> None:
    found = list_code()
    assert {
        "provision/cli/kit.py",
        "provision/card/base/packages.yml",
        "provision/shipped/roles/push.yml",
        "provision/shipped/boats/kittiwake.yml",
        "provision/shipped/tests/boat/conftest.py",
    } <= found.keys()
    assert not [name for name in found if "__pycache__" in name or ".." in name]
    assert not [
        name for name in found if name.startswith("provision/shipped/boats") and "secrets" in name
    ]


def test_the_same_files_give_the_same_bytes(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("text")
    (tmp_path / "link").symlink_to("plain")
    (tmp_path / "second").hardlink_to(tmp_path / "plain")
    files = {name: tmp_path / name for name in ("plain", "link", "second")}
    first = pack({**files, "script": b"#!/bin/sh\n"})
    (tmp_path / "plain").touch()
    assert pack({"script": b"#!/bin/sh\n", **files}) == first
    with tarfile.open(fileobj=io.BytesIO(first)) as tar:
        assert tar.getmember("script").mode == 0o755
        assert tar.getmember("link").linkname == "plain"
        for name in ("plain", "second"):
            member = tar.extractfile(name)
            assert member and member.read() == b"text"


def test_an_old_python_can_read_the_starter_and_say_what_is_wrong() -> None:
    ast.parse(Path(starter).read_text(), feature_version=(3, 7))


@pytest.mark.parametrize("name", ["a:b", "what?", "end.", "end ", "a/b\\c", "x" * 256, "a\nb"])
def test_a_name_that_fat_refuses(name: str) -> None:
    with pytest.raises(UserError, match="stick"):
        check_names([name])


def test_names_that_differ_in_case_and_files_of_4_gib() -> None:
    check_names(["boats/kittiwake.yml", "boats/.gitignore", "sheets/kittiwake.html"])
    with pytest.raises(UserError, match="one file on a stick"):
        check_names(["boats/Tern.yml", "boats/tern.yml"])
    check_size("log", MAX_FILE_BYTES)
    with pytest.raises(UserError, match="4294967296 bytes"):
        check_size("log", MAX_FILE_BYTES + 1)
