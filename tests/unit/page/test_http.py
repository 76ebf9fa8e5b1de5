# SPDX-License-Identifier: GPL-3.0-or-later
"""Which requests are answered, and how the others are refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.web.http import SAFE_HEADERS, Refused, Request, make_head, parse_request

HOSTS = {"10.47.1.1", "tern"}


def ask(first: str, *headers: str) -> Request:
    return parse_request("\r\n".join([first, *headers, "", ""]).encode("latin-1"), HOSTS)


def status(first: str, *headers: str) -> int:
    with pytest.raises(Refused) as refused:
        ask(first, *headers)
    return refused.value.status


@pytest.mark.parametrize(
    "host", ["10.47.1.1", "10.47.1.1:80", "tern", "TERN:80", " tern ", "127.0.0.1:40123"]
)
def test_the_boat_answers_by_her_address_and_name(host: str) -> None:
    assert ask("GET /plain?from=here HTTP/1.1", f"Host:{host}") == Request("/plain", False)
    assert ask("HEAD / HTTP/1.1", f"Host: {host}") == Request("/", True)


@pytest.mark.parametrize(
    "host",
    ["evil.example", "10.47.1.1:8080", "10.47.1.1.evil.example", "tern.evil.example", "",
     "10.47.1.1 evil", "127.0.0.1.evil.example:80", "localhost", "[::1]", "tern:80:80"],
)  # fmt: skip
def test_no_other_host_leads_here(host: str) -> None:
    assert status("GET / HTTP/1.1", f"Host: {host}") == 421


def test_a_request_names_one_host() -> None:
    assert status("GET / HTTP/1.1") == 400
    assert status("GET / HTTP/1.1", "Host: tern", "Host: evil.example") == 400


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "get"])
def test_every_method_that_might_change_something_is_refused(method: str) -> None:
    assert status(f"{method} / HTTP/1.1", "Host: tern", "Content-Length: 5") == 405


def test_what_is_no_request_is_refused() -> None:
    assert status("GET http://tern/ HTTP/1.1", "Host: tern") == 400
    assert status("GET  / HTTP/1.1", "Host: tern") == 400
    assert status("GET /", "Host: tern") == 400
    assert status("GET / HTTP/2.0", "Host: tern") == 505
    assert status("GET / FTP/1.1", "Host: tern") == 400
    assert status("GET / HTTP/1.1", "Host: tern", " folded") == 400
    assert status("GET / HTTP/1.1", "Host : tern") == 400
    assert status("GET /\x80 HTTP/1.1", "Host: tern") == 400


@given(st.binary(max_size=200))
def test_any_octets_are_a_request_or_refused(octets: bytes) -> None:
    try:
        parse_request(octets, HOSTS)
    except Refused as refused:
        assert refused.status in (400, 405, 421, 505)


@pytest.mark.parametrize("refused", [200, 404, 405, 421])
def test_every_answer_keeps_other_sites_out(refused: int) -> None:
    head = make_head(refused, "text/plain", 3).decode()
    assert all(f"\r\n{name}: {value}\r\n" in head for name, value in SAFE_HEADERS)
    assert "default-src 'none'" in head and "unsafe" not in head
    assert "access-control" not in head.lower()
    assert ("Allow: GET, HEAD" in head) == (refused == 405)
