# SPDX-License-Identifier: GPL-3.0-or-later
"""Compose AIS sentences: other ships in VDM, the own boat in VDO (ITU-R M.1371)."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from itertools import count

from pyais.encode import encode_dict

from provision.bench.simulation.boat import Fix, Ship, Simulation

#: Position reports of a ship between two of its static data.
REPORTS_PER_STATIC_DATA = 6

Message = dict[str, str | int | float | bytes | bool]


def _length_and_beam(ship: Ship) -> Message:
    bow, port = ship.length // 2, ship.beam // 2
    return {
        "to_bow": bow,
        "to_stern": ship.length - bow,
        "to_port": port,
        "to_starboard": ship.beam - port,
    }


def position_report(ship: Ship, fix: Fix, time: datetime, heading: float) -> Message:
    """Return message 1 of a class A ship, or 18 of a class B ship."""
    data: Message = {
        "msg_type": 1 if ship.class_a else 18,
        "mmsi": ship.mmsi,
        "speed": round(fix.ground_speed, 1),
        "accuracy": True,
        "lon": fix.longitude,
        "lat": fix.latitude,
        "course": round(fix.course, 1) % 360,
        "heading": round(heading) % 360,
        "second": time.second,
    }
    if ship.class_a:
        data["status"] = 0  # under way using engine
    else:
        # A carrier-sense unit that hears both channels and whose slots are its own choice.
        data |= {"cs": True, "dsc": False, "band": True, "msg22": True, "radio": 0xE0006}
    return data


def static_data(ship: Ship) -> list[Message]:
    """Return message 5 of a class A ship, or both parts of 24 of a class B ship."""
    size = _length_and_beam(ship)
    identity: Message = {"mmsi": ship.mmsi, "ship_type": ship.type, "callsign": ship.call_sign}
    if ship.class_a:
        voyage: Message = {"draught": 6.5, "destination": "OUTER ROADS", "epfd": 1}
        return [{"msg_type": 5, "shipname": ship.name, **identity, **size, **voyage}]
    return [
        {"msg_type": 24, "partno": 0, "mmsi": ship.mmsi, "shipname": ship.name},
        {"msg_type": 24, "partno": 1, **identity, **size},
    ]


class Transponder:
    """Compose the boat's AIS in rotation: `heard` gives VDM, `own` VDO."""

    def __init__(self, simulation: Simulation) -> None:
        self._simulation = simulation
        self._heard = self._rotation(simulation.targets)
        self._own = self._rotation([simulation.own])
        self._sequence = count()

    def heard(self, time: datetime) -> list[bytes]:
        """Return the next message of another ship: one VDM sentence, or several."""
        ship, static = next(self._heard)
        fix = self._simulation.target(ship, time)
        return self._encode(static or position_report(ship, fix, time, fix.course), "VDM")

    def own(self, time: datetime) -> list[bytes]:
        """Return the next message of the boat's own: VDO."""
        ship, static = next(self._own)
        state = self._simulation.at(time)
        return self._encode(static or position_report(ship, state.fix, time, state.heading), "VDO")

    @staticmethod
    def _rotation(ships: list[Ship]) -> Iterator[tuple[Ship, Message | None]]:
        while True:
            for ship in ships:
                for data in static_data(ship):
                    yield ship, data
            for _ in range(REPORTS_PER_STATIC_DATA):
                for ship in ships:
                    yield ship, None

    def _encode(self, data: Message, formatter: str) -> list[bytes]:
        number = next(self._sequence)
        sentences = encode_dict(
            data,
            talker_id="AI",
            sentence_type=formatter,
            radio_channel="AB"[number % 2],
            seq_id=number % 10,
        )
        return [f"{one}\r\n".encode("ascii") for one in sentences]
