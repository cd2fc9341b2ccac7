import math

import numpy as np
import pytest

from pipeline.estimates.dispatch.travel import EARTH_RADIUS_KM, NO_PLACE_MINUTES, drive_minutes, great_circle_km
from pipeline.settings import Settings

SETTINGS = Settings()


def test_great_circle_agrees_with_a_worked_example():
    # Rosetta Code, "Haversine formula" (from memory): Nashville to Los Angeles 2887.26 km, radius 6372.8
    got = great_circle_km(np.array([[36.12, -86.67]]), np.array([[33.94, -118.40]]))[0, 0]
    assert got * 6372.8 / EARTH_RADIUS_KM == pytest.approx(2887.26, abs=0.01)


def test_half_round_the_earth_is_the_longest_way():
    got = great_circle_km(np.array([[0.0, 0.0]]), np.array([[0.0, 180.0], [90.0, 0.0]]))[0]
    assert got == pytest.approx([math.pi * EARTH_RADIUS_KM, math.pi * EARTH_RADIUS_KM / 2])


def test_mean_distance_to_the_centre_of_a_square():
    # (sqrt 2 + ln(1 + sqrt 2)) / 6 = 0.38260 of the side: mean distance from a uniform point to the centre of a square
    side = np.degrees(1 / EARTH_RADIUS_KM)  # 1 km at the equator
    step = (np.arange(200) + 0.5) / 200 * side
    points = np.array([(a, b) for a in step for b in step])
    got = great_circle_km(points, np.array([[side / 2, side / 2]])).mean()
    assert got == pytest.approx((math.sqrt(2) + math.log(1 + math.sqrt(2))) / 6, abs=2e-5)
    assert got == pytest.approx(0.38260, abs=2e-5)


def test_a_drive_is_detour_over_speed_and_the_minutes_at_both_ends():
    # one degree of latitude is 2πR/360 = 111.195 km: ·1.3 / 40 km/h = 216.83 min, and 2
    assert drive_minutes([(10, 0)], [(11, 0)], SETTINGS)[0, 0] == pytest.approx(218.83, abs=0.01)


def test_a_slower_county_says_so():
    slow = Settings({"dispatch.speed_kmh": 20.0, "dispatch.travel_extra_minutes": 0.0})
    assert drive_minutes([(10, 0)], [(11, 0)], slow)[0, 0] == pytest.approx(2 * 216.83, abs=0.02)


def test_staying_where_one_is_takes_no_time():
    assert drive_minutes([(10, 0)], [(10, 0)], SETTINGS)[0, 0] == 0


def test_a_place_off_the_map_is_a_guess_and_never_not_a_number():
    got = drive_minutes([(math.nan, 0), (10, 0)], [(10, 0), (10, math.inf)], SETTINGS)
    assert got.tolist() == [[NO_PLACE_MINUTES, NO_PLACE_MINUTES], [0.0, NO_PLACE_MINUTES]]


def test_no_places_give_no_drives():
    assert drive_minutes([], [(10, 0)], SETTINGS).shape == (0, 1)
