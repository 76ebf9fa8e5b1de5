# SPDX-License-Identifier: GPL-3.0-or-later
"""Simulate one boat under sail, with ships around it.

Everything is a pure function of the time and of a seed, and everything agrees: the speed
and course over ground are the position's derivative, the water's velocity and the current
add up to them, and the apparent wind is the true wind less the boat's own motion.

    >>> from datetime import UTC
    >>> state = Simulation(seed=1).at(datetime(2030, 6, 1, 12, tzinfo=UTC))
    >>> round(state.ground_speed), round(state.apparent_wind.speed)
    (6, 13)

Velocities are complex numbers inside this file: knots to the east + knots to the north * j.
"""

from __future__ import annotations

import cmath
import math
import random
from dataclasses import dataclass, replace
from datetime import datetime

#: Metres in a nautical mile, which is also a minute of latitude here (ISO 80000-3).
NAUTICAL_MILE = 1852.0
METRES_PER_DEGREE = 60 * NAUTICAL_MILE
#: Metres a second in a knot.
KNOT = NAUTICAL_MILE / 3600

#: Open sea. The ships sail within a few miles of it.
LATITUDE, LONGITUDE = 50.05, -2.45
#: Degrees, east positive.
VARIATION = -0.8


def bearing(vector: complex) -> float:
    """Return the direction of a vector, clockwise from true north, 0 <= bearing < 360."""
    return math.degrees(math.atan2(vector.real, vector.imag)) % 360


def vector_toward(degrees: float, length: float = 1.0) -> complex:
    """Return the vector of that length that points to a bearing."""
    return cmath.rect(length, math.radians(90 - degrees))


@dataclass(frozen=True)
class Wind:
    """Hold a wind as seen aboard: knots, and its angle clockwise from the bow in degrees."""

    speed: float
    angle: float


@dataclass(frozen=True)
class Fix:
    """Hold a ship's position and its motion over ground."""

    latitude: float
    """Degrees, north positive."""
    longitude: float
    """Degrees, east positive."""
    velocity: complex
    """Knots to the east + knots to the north * j."""

    @property
    def ground_speed(self) -> float:
        """Return the speed over ground in knots."""
        return abs(self.velocity)

    @property
    def course(self) -> float:
        """Return the course over ground in degrees true."""
        return bearing(self.velocity)


@dataclass(frozen=True)
class Track:
    """Describe a closed course: two straight legs joined by half circles.

    The position on it has an exact derivative at every moment, so that course and speed
    can be stated without integrating anything.
    """

    middle: complex
    """Metres to the east + metres to the north * j of the reference point."""
    axis: float
    """The first leg's bearing in degrees."""
    leg: float
    """Metres."""
    radius: float
    """Of the turns, to starboard, in metres."""
    speed: float
    """Mean, in metres a second."""
    surge: float
    """Amplitude of the slow change of speed, in metres a second."""
    period: float
    """Of that change, in seconds."""
    start: float
    """Metres along the course at the epoch."""

    @property
    def length(self) -> float:
        """Return the length of one round in metres."""
        return 2 * (self.leg + math.pi * self.radius)

    def at(self, time: float) -> tuple[complex, complex, float]:
        """Return position (m), velocity (m/s) and rate of turn (degrees/s) at a time in seconds."""
        phase = math.tau * time / self.period
        speed = self.speed + self.surge * math.cos(phase)
        travelled = self.speed * time + self.surge * self.period / math.tau * math.sin(phase)
        along = (travelled + self.start) % self.length
        half, along = divmod(along, self.length / 2)
        # As if the leg ran east from the middle of the course, its turn bending to starboard.
        if along < self.leg:
            position, course, turn = complex(along - self.leg / 2, self.radius), 0.0, 0.0
        else:
            course = -(along - self.leg) / self.radius
            position = self.leg / 2 + cmath.rect(self.radius, course + math.pi / 2)
            turn = math.degrees(speed / self.radius)
        rotation = vector_toward(self.axis) * (-1 if half else 1)
        return self.middle + position * rotation, cmath.rect(speed, course) * rotation, turn

    def fix(self, time: float) -> Fix:
        """Return latitude, longitude and velocity at a time in seconds."""
        position, velocity, _ = self.at(time)
        return Fix(
            latitude=LATITUDE + position.imag / METRES_PER_DEGREE,
            longitude=LONGITUDE
            + position.real / (METRES_PER_DEGREE * math.cos(math.radians(LATITUDE))),
            velocity=velocity / KNOT,
        )


@dataclass(frozen=True)
class Ship:
    """Describe a target that the AIS receiver hears, or the boat's own transponder."""

    mmsi: int
    """Its first three digits belong to no country, so that no ship has it (from memory)."""
    name: str
    call_sign: str
    type: int
    """Of ship and cargo: 36 sailing, 60 passenger, 70 cargo (ITU-R M.1371)."""
    length: int
    beam: int
    """Metres, both."""
    class_a: bool


@dataclass(frozen=True)
class BoatState:
    """Hold what the boat's instruments measure at one moment."""

    time: datetime
    fix: Fix
    heading: float
    """Degrees true."""
    variation: float
    """Degrees, east positive."""
    rate_of_turn: float
    """Degrees a second, to starboard positive."""
    current: complex
    """The water's own velocity over ground: knots east + knots north * j."""
    true_wind_speed: float
    """Over ground, in knots."""
    true_wind_direction: float
    """Where the true wind comes from, in degrees true."""
    depth: float
    """Of the water below the surface, in metres."""
    water_temperature: float
    """Degrees Celsius."""

    @property
    def ground_speed(self) -> float:
        """Return the speed over ground in knots."""
        return self.fix.ground_speed

    @property
    def course(self) -> float:
        """Return the course over ground in degrees true."""
        return self.fix.course

    @property
    def magnetic_heading(self) -> float:
        """Return the magnetic heading in degrees."""
        return (self.heading - self.variation) % 360

    @property
    def water_speed(self) -> float:
        """Return the speed through the water along the keel in knots, as a log measures."""
        water = self.fix.velocity - self.current
        return abs(water) * math.cos(math.radians(bearing(water) - self.heading))

    @property
    def true_wind(self) -> Wind:
        """Return the true wind as an angle from the bow."""
        return Wind(self.true_wind_speed, (self.true_wind_direction - self.heading) % 360)

    @property
    def apparent_wind(self) -> Wind:
        """Return the wind at the masthead: the true wind less the boat's motion."""
        felt = (
            vector_toward(self.true_wind_direction + 180, self.true_wind_speed) - self.fix.velocity
        )
        return Wind(abs(felt), (bearing(-felt) - self.heading) % 360)

    def seen_from(self, forward: float) -> BoatState:
        """Return the same boat as an antenna sees it, so many metres further forward."""
        if not forward:
            return self
        shift = vector_toward(self.heading, forward)
        latitude = self.fix.latitude + shift.imag / METRES_PER_DEGREE
        longitude = self.fix.longitude + shift.real / (
            METRES_PER_DEGREE * math.cos(math.radians(self.fix.latitude))
        )
        return replace(self, fix=replace(self.fix, latitude=latitude, longitude=longitude))


class Simulation:
    """Sail a boat to and fro across the wind, in a tidal current, with ships around it."""

    def __init__(self, seed: int = 0, name: str = "kittiwake") -> None:
        draw = random.Random(seed)  # noqa: S311
        self._axis = draw.uniform(0, 360)
        self._track = Track(
            middle=complex(draw.uniform(-500, 500), draw.uniform(-500, 500)),
            axis=self._axis,
            leg=3 * NAUTICAL_MILE,
            radius=60,
            speed=draw.uniform(5.0, 6.0) * KNOT,
            surge=draw.uniform(0.3, 0.6) * KNOT,
            period=draw.uniform(80, 120),
            start=draw.uniform(0, 10_000),
        )
        self._wind_from = self._axis + draw.uniform(75, 100)
        self._wind_speed = draw.uniform(12, 16)
        self._flood = draw.uniform(0, 360)
        self._drift = draw.uniform(0.5, 0.9)
        self._shoals = [
            (draw.uniform(1, 3), vector_toward(draw.uniform(0, 360), 1 / draw.uniform(300, 2500)))
            for _ in range(4)
        ]
        self._draw_ships(draw, name)

    def _draw_ships(self, draw: random.Random, name: str) -> None:
        self.own = Ship(200000001, name.upper()[:20], "XQ0001", 36, 11, 4, class_a=False)
        kinds = [
            ("NORTHERN HOPPER", 70, 120, 18, True, 12.0),
            ("SOUND FERRY", 60, 80, 16, True, 16.0),
            ("GREY PHALAROPE", 36, 10, 3, False, 5.5),
            ("LITTLE AUK", 36, 9, 3, False, 4.5),
        ]
        self.targets: list[Ship] = []
        self._target_tracks: dict[int, Track] = {}
        for number, (title, kind, length, beam, class_a, speed) in enumerate(kinds, start=2):
            ship = Ship(200000000 + number, title, f"XQ{number:04}", kind, length, beam, class_a)
            self.targets.append(ship)
            self._target_tracks[ship.mmsi] = Track(
                middle=vector_toward(draw.uniform(0, 360), draw.uniform(2000, 6000)),
                axis=draw.uniform(0, 360),
                leg=draw.uniform(3, 6) * NAUTICAL_MILE,
                radius=400 if class_a else 60,
                speed=speed * KNOT,
                surge=0.2 * KNOT,
                period=draw.uniform(200, 400),
                start=draw.uniform(0, 20_000),
            )

    def target(self, ship: Ship, time: datetime) -> Fix:
        """Return the position of one of `targets`."""
        return self._target_tracks[ship.mmsi].fix(time.timestamp())

    def at(self, time: datetime) -> BoatState:
        """Return the boat at an aware time, to any fraction of a second."""
        seconds = time.timestamp()
        position, _, turn = self._track.at(seconds)
        fix = self._track.fix(seconds)
        # A tide of 12 h 25 min, mostly to and fro.
        tide = math.tau * seconds / (12.42 * 3600)
        current = vector_toward(self._flood, self._drift * math.cos(tide)) + vector_toward(
            self._flood + 90, 0.2 * self._drift * math.sin(tide)
        )
        wind_from = self._wind_from + 6 * math.sin(math.tau * seconds / 310)
        wind_speed = self._wind_speed + 1.5 * math.sin(math.tau * seconds / 47)
        # Leeway: the bow points a little to windward of where the boat goes. Then waves yaw it.
        through_water = bearing(fix.velocity - current)
        leeway = 4 * math.sin(math.radians(wind_from - through_water))
        yaw, yaw_rate = 1.5, math.tau / 8
        heading = through_water + leeway + yaw * math.sin(yaw_rate * seconds)
        depth = 35 + 2 * math.sin(tide) + self._shoal(position)
        return BoatState(
            time=time,
            fix=fix,
            heading=heading % 360,
            variation=VARIATION,
            rate_of_turn=turn + yaw * yaw_rate * math.cos(yaw_rate * seconds),
            current=current,
            true_wind_speed=wind_speed,
            true_wind_direction=wind_from % 360,
            depth=depth,
            water_temperature=14 + math.sin(math.tau * seconds / 5400),
        )

    def _shoal(self, position: complex) -> float:
        """Return the bottom's shape in metres, always the same for a position."""
        return sum(
            height * math.sin(math.tau * (position * slope.conjugate()).real)
            for height, slope in self._shoals
        )
