# SPDX-License-Identifier: GPL-3.0-or-later
"""Read a request of HTTP/1.1 (RFC 9110, RFC 9112), and write the head of an answer.

Only what read-only pages and files need is understood: GET and HEAD, without a body, for a host
that is this boat. Each connection carries one request.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

#: Octets of a request's head, at most.
MAX_HEAD_BYTES = 8192

_TOKEN = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")
_TARGET = re.compile(r"/[\x21-\x7e]*")

#: The virtual boat's port is forwarded from there. No stranger's name leads to a page by it.
_LOOPBACK = re.compile(r"127\.0\.0\.1:[0-9]{1,5}")

REASONS = {
    200: "OK",
    206: "Partial Content",
    301: "Moved Permanently",
    400: "Bad Request",
    404: "Not Found",
    405: "Method Not Allowed",
    408: "Request Timeout",
    416: "Range Not Satisfiable",
    421: "Misdirected Request",
    431: "Request Header Fields Too Large",
    503: "Service Unavailable",
    505: "HTTP Version Not Supported",
}

#: Sent with every answer. Nothing is fetched from elsewhere, nothing is run but our own files, no
#: other page may show or read this one, and no form sends anything anywhere.
SAFE_HEADERS = (
    (
        "Content-Security-Policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cache-Control", "no-store"),
    ("Connection", "close"),
)


class Refused(Exception):
    """Says with which status a request is refused."""

    def __init__(self, status: int) -> None:
        super().__init__(REASONS[status])
        self.status = status


@dataclass(frozen=True)
class Request:
    """Holds a request that may be answered: the path, and whether only the head is wanted.

    `headers` has the header fields by their names in lower case. Of one that is sent twice the last
    one counts.
    """

    path: str
    head_only: bool
    headers: Mapping[str, str] = field(default_factory=dict, compare=False)


def parse_request(head: bytes, hosts: Collection[str]) -> Request:
    """Return the request whose head, with its empty last line, is `head`. Refused says why not.

    `hosts` are the names that this boat goes by, in lower case. Another name may be a stranger's
    that leads to the boat's address, so that a page of the stranger's could read the answer.
    """
    try:
        first, *lines = head.decode("latin-1").removesuffix("\r\n\r\n").split("\r\n")
        method, target, version = first.split(" ")
    except ValueError:
        raise Refused(400) from None
    if version not in ("HTTP/1.1", "HTTP/1.0"):
        raise Refused(505 if re.fullmatch(r"HTTP/\d\.\d", version) else 400)
    if not _TOKEN.fullmatch(method):
        raise Refused(400)
    fields = _fields_of(lines)
    _check_host([value.lower() for name, value in fields if name == "host"], hosts)
    if method not in ("GET", "HEAD"):
        raise Refused(405)
    if not _TARGET.fullmatch(target):
        raise Refused(400)
    return Request(target.partition("?")[0], method == "HEAD", dict(fields))


def _fields_of(lines: list[str]) -> list[tuple[str, str]]:
    """Return names, in lower case, and values of header lines. Refused when a line is none."""
    found = []
    for line in lines:
        name, colon, value = line.partition(":")
        # A line that goes on from the one before, and a blank before the colon, are refused, too.
        if not colon or not _TOKEN.fullmatch(name) or "\r" in value or "\n" in value:
            raise Refused(400)
        found.append((name.lower(), value.strip(" \t")))
    return found


def _check_host(found: list[str], hosts: Collection[str]) -> None:
    if len(found) != 1:
        raise Refused(400)
    if found[0].removesuffix(":80") not in hosts and not _LOOPBACK.fullmatch(found[0]):
        raise Refused(421)


def make_head(
    status: int, kind: str, length: int | None, more: Sequence[tuple[str, str]] = ()
) -> bytes:
    """Return the head of an answer. `length` is None for a stream, which ends with its connection.

    `more` are further header fields.

    >>> make_head(405, "text/plain", 0).splitlines()[:2]
    [b'HTTP/1.1 405 Method Not Allowed', b'Allow: GET, HEAD']
    """
    lines = [f"HTTP/1.1 {status} {REASONS[status]}"]
    if status == 405:
        lines.append("Allow: GET, HEAD")
    lines.append(f"Content-Type: {kind}")
    if length is not None:
        lines.append(f"Content-Length: {length}")
    lines += [f"{name}: {value}" for name, value in (*SAFE_HEADERS, *more)]
    return "\r\n".join([*lines, "", ""]).encode("ascii")
