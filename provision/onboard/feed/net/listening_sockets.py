# SPDX-License-Identifier: GPL-3.0-or-later
"""Open listening sockets, on addresses that may not exist yet."""

from __future__ import annotations

import socket

#: Allows binding to an address that no interface has yet (ip(7)). Python has no name for it.
IP_FREEBIND = 15


def listen_tcp(address: str, port: int, backlog: int) -> socket.socket:
    """Return a socket that accepts connections. OSError names the port when it is taken."""
    channel = _bound(socket.SOCK_STREAM, address, port)
    channel.listen(backlog)
    return channel


def listen_udp(address: str, port: int) -> socket.socket:
    """Return a socket that receives datagrams. Other programs may listen there as well."""
    return _bound(socket.SOCK_DGRAM, address, port)


def _bound(kind: socket.SocketKind, address: str, port: int) -> socket.socket:
    channel = socket.socket(socket.AF_INET, kind)
    try:
        channel.setblocking(False)
        channel.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        channel.setsockopt(socket.IPPROTO_IP, IP_FREEBIND, 1)
        channel.bind((address, port))
    except OSError as error:
        channel.close()
        protocol = "TCP" if kind == socket.SOCK_STREAM else "UDP"
        where = f"{protocol} port {port}"
        raise OSError(error.errno, error.strerror, where) from None
    return channel
