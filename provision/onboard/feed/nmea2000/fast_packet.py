# SPDX-License-Identifier: GPL-3.0-or-later
"""Split NMEA 2000 identifiers, and join groups that are longer than one frame."""

from __future__ import annotations

from dataclasses import dataclass

#: Fast packets assembled at once, and bytes of the longest (ISO 11783-3, NMEA 2000).
MAX_OPEN_PACKETS, MAX_PACKET_BYTES = 64, 223

#: Data bytes in the first frame of a fast packet and in each that follows.
FIRST_FRAME_BYTES, NEXT_FRAME_BYTES = 6, 7


def split_identifier(identifier: int) -> tuple[int, int]:
    """Split a 29-bit identifier into parameter group number and source address (ISO 11783-3).

    >>> split_identifier(0x09F80103)
    (129025, 3)
    """
    group = (identifier >> 8) & 0x3FFFF
    # Below 240 the second byte is a destination.
    if (group >> 8) & 0xFF < 240:
        group &= 0x3FF00
    return group, identifier & 0xFF


@dataclass(slots=True)
class _Packet:
    length: int
    data: bytes
    frames: int


class FastPackets:
    """Joins fast packets. A packet whose frames do not come in order is dropped."""

    def __init__(self) -> None:
        self._open: dict[tuple[int, int, int], _Packet] = {}
        self.dropped = 0

    def take(self, group: int, source: int, frame: bytes) -> bytes | None:
        """Return the whole data when this frame completes them, else None."""
        if len(frame) < 2:
            return None
        key = (group, source, frame[0] >> 5)
        count = frame[0] & 0x1F
        if count == 0:
            self._begin(key, frame)
        else:
            packet = self._open.get(key)
            if packet is None or count != packet.frames:
                if self._open.pop(key, None) is not None:
                    self.dropped += 1
                return None
            packet.data += frame[1 : 1 + NEXT_FRAME_BYTES]
            packet.frames += 1
        packet = self._open.get(key)
        if packet is None or len(packet.data) < packet.length:
            return None
        del self._open[key]
        return packet.data[: packet.length]

    def _begin(self, key: tuple[int, int, int], frame: bytes) -> None:
        if self._open.pop(key, None) is not None:
            self.dropped += 1
        if not 0 < frame[1] <= MAX_PACKET_BYTES:
            self.dropped += 1
            return
        if len(self._open) >= MAX_OPEN_PACKETS:
            del self._open[next(iter(self._open))]
            self.dropped += 1
        self._open[key] = _Packet(frame[1], frame[2 : 2 + FIRST_FRAME_BYTES], 1)
