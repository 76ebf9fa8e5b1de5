# SPDX-License-Identifier: GPL-3.0-or-later
"""The simulated boat agrees with itself: every instrument tells of the same motion."""

from __future__ import annotations

import doctest
import math
from datetime import UTC, datetime, timedelta

import pytest

from provision.bench.simulation import boat as voyage
from provision.bench.simulation.boat import METRES_PER_DEGREE, BoatState, Simulation

NOON = datetime(2030, 6, 1, 12, tzinfo=UTC)
SEEDS = [0, 1, 7, 12345]


def after(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


def metres(start: BoatState, end: BoatState) -> tuple[float, float]:
    """Return how far the end is to the east and to the north of the start."""
    north = (end.fix.latitude - start.fix.latitude) * METRES_PER_DEGREE
    east = (end.fix.longitude - start.fix.longitude) * METRES_PER_DEGREE
    return east * math.cos(math.radians(start.fix.latitude)), north


def test_examples_in_the_docstrings():
    assert doctest.testmod(voyage).failed == 0


@pytest.mark.parametrize("seed", SEEDS)
def test_speed_and_course_over_ground_add_up_to_the_way_made(seed):
    boat, step = Simulation(seed), 0.5
    east = north = 0.0
    for number in range(int(4200 / step)):  # more than once round, so every turn is in it
        state = boat.at(after((number + 0.5) * step))
        way = state.ground_speed * 1852 / 3600 * step
        east += way * math.sin(math.radians(state.course))
        north += way * math.cos(math.radians(state.course))
    end_east, end_north = metres(boat.at(NOON), boat.at(after(4200)))
    # The metres in a degree of longitude change by some 10 m over these few miles.
    assert math.hypot(east - end_east, north - end_north) < 15


@pytest.mark.parametrize("seed", SEEDS)
def test_water_and_current_add_up_to_the_motion_over_ground(seed):
    boat = Simulation(seed)
    for seconds in range(0, 7200, 61):
        state = boat.at(after(seconds))
        water = state.fix.velocity - state.current
        drift_angle = (voyage.bearing(water) - state.heading + 180) % 360 - 180
        assert abs(drift_angle) < 6  # leeway and yaw, no more
        assert state.water_speed == pytest.approx(
            abs(water) * math.cos(math.radians(drift_angle)), abs=1e-9
        )
        assert state.water_speed > 3


@pytest.mark.parametrize("seed", SEEDS)
def test_apparent_wind_is_the_true_wind_less_the_motion(seed):
    """The wind triangle by the law of cosines and the law of sines, without vectors."""
    boat = Simulation(seed)
    for seconds in range(0, 7200, 61):
        state = boat.at(after(seconds))
        true, own = state.true_wind_speed, state.ground_speed
        between = math.radians(state.true_wind_direction - state.course)
        speed = math.sqrt(true**2 + own**2 + 2 * true * own * math.cos(between))
        assert state.apparent_wind.speed == pytest.approx(speed, abs=1e-9)
        off_course = math.radians(state.apparent_wind.angle + state.heading - state.course)
        assert speed * math.sin(off_course) == pytest.approx(true * math.sin(between), abs=1e-9)


def test_the_boat_sails_and_does_not_motor_into_the_wind():
    boat = Simulation(3)
    angles = [boat.at(after(seconds)).true_wind.angle for seconds in range(0, 7200, 10)]
    no_go = [angle for angle in angles if min(angle, 360 - angle) < 40]
    assert len(no_go) / len(angles) < 0.05  # only while it tacks


def test_magnetic_heading_and_variation():
    state = Simulation(0).at(NOON)
    assert (state.magnetic_heading + state.variation - state.heading) % 360 == pytest.approx(0)


@pytest.mark.parametrize("seed", SEEDS)
def test_nothing_jumps(seed):
    boat = Simulation(seed)
    last = boat.at(NOON)
    for number in range(1, 5 * 4200):
        state = boat.at(after(number / 5))
        assert math.hypot(*metres(last, state)) < 1
        assert abs((state.heading - last.heading + 180) % 360 - 180) < 2
        assert abs(state.depth - last.depth) < 0.5
        assert state.depth > 5
        last = state


def test_rate_of_turn_is_the_headings_derivative():
    boat = Simulation(0)
    for seconds in range(0, 4200, 7):
        before, state, later = (boat.at(after(seconds + d)) for d in (-0.05, 0, 0.05))
        turned = (later.heading - before.heading + 180) % 360 - 180
        # Leeway and current change in a turn as well, which a gyro would feel a little of.
        assert turned / 0.1 == pytest.approx(state.rate_of_turn, abs=1.5)


def test_the_boat_stays_at_sea_where_it_belongs():
    boat = Simulation(9)
    for day in range(0, 4000, 13):
        fix = boat.at(NOON + timedelta(days=day)).fix
        assert abs(fix.latitude - voyage.LATITUDE) < 0.1
        assert abs(fix.longitude - voyage.LONGITUDE) < 0.1


def test_it_is_a_function_of_time_and_seed_alone():
    forth = Simulation(5)
    states = [forth.at(after(seconds)) for seconds in range(10)]
    back = Simulation(5)
    assert [back.at(after(seconds)) for seconds in reversed(range(10))] == states[::-1]
    assert Simulation(6).at(NOON) != states[0]


def test_targets_are_several_and_move_apart_from_the_boat():
    boat = Simulation(0)
    assert len(boat.targets) >= 3
    assert len({ship.mmsi for ship in [boat.own, *boat.targets]}) == len(boat.targets) + 1
    for ship in boat.targets:
        fix = boat.target(ship, NOON)
        later = boat.target(ship, after(60))
        assert fix.ground_speed > 3
        assert (fix.latitude, fix.longitude) != (later.latitude, later.longitude)


def test_another_antenna_sees_the_same_boat_a_little_further_on():
    state = Simulation(seed=3).at(NOON)
    ahead = state.seen_from(4)
    east, north = metres(state, ahead)
    assert math.hypot(north, east) == pytest.approx(4, abs=1e-3)
    assert math.degrees(math.atan2(east, north)) % 360 == pytest.approx(state.heading, abs=0.01)
    assert (ahead.ground_speed, ahead.depth) == (state.ground_speed, state.depth)
    assert state.seen_from(0) == state
