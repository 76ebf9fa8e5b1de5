# SPDX-License-Identifier: GPL-3.0-or-later
"""Which paths and ranges are answered."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.charts.serve.find import split
from provision.onboard.charts.serve.ranges import NotThere, read_range


@pytest.mark.parametrize(
    ("path", "names"),
    [
        ("/", [""]),
        ("/coast/", ["coast", ""]),
        ("/coast/NO%205.kap", ["coast", "NO 5.kap"]),
        ("/K%C3%BCste.kap", ["Küste.kap"]),
        ("/..", None),
        ("/coast/../../etc/passwd", None),
        ("/%2e%2e/etc/passwd", None),
        ("/..%2fetc%2fpasswd", None),
        ("/coast%2fone.kap", None),
        ("/.new/file", None),
        ("//etc/passwd", None),
        ("/coast//one.kap", None),
        ("/%00", None),
        ("/%ff", None),
        ("/a%0d%0aSet-Cookie:x", None),
        ("/" + "d/" * 50, None),
    ],
)
def test_paths(path: str, names: list[str] | None) -> None:
    assert split(path) == names


@given(st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), max_size=60))
def test_no_path_leads_out(path: str) -> None:
    for name in split("/" + path) or ():
        assert name not in (".", "..") and not set("/\x00\r\n") & set(name)
        assert not name.startswith(".")


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", None),
        ("bytes=0-", (0, 10)),
        ("bytes=0-0", (0, 1)),
        ("bytes=5-99", (5, 10)),
        ("bytes=-3", (7, 10)),
        ("bytes=-99", (0, 10)),
        ("bytes=4-2", None),
        ("bytes=-", None),
        ("bytes=0-1,3-4", None),
        ("lines=1-2", None),
        ("bytes=1-" + "9" * 40, None),
    ],
)
def test_ranges(text: str, part: tuple[int, int] | None) -> None:
    assert read_range(text, 10) == part


@pytest.mark.parametrize("text", ["bytes=10-", "bytes=10-20", "bytes=-0"])
def test_ranges_behind_the_end(text: str) -> None:
    with pytest.raises(NotThere):
        read_range(text, 10)


@given(
    st.text(max_size=30) | st.from_regex(r"bytes=\d{0,20}-\d{0,20}", fullmatch=True),
    st.integers(0, 2**50),
)
def test_any_range_lies_in_the_file(text: str, size: int) -> None:
    try:
        part = read_range(text, size)
    except NotThere:
        return
    assert part is None or 0 <= part[0] < part[1] <= size
