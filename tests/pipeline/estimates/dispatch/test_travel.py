import math
from datetime import timedelta

import numpy as np
import pytest

from pipeline import run
from pipeline.contracts.events import TravelRows
from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.estimates.dispatch.travel import (
    EARTH_RADIUS_KM,
    NO_PLACE_MINUTES,
    drive_minutes,
    great_circle_km,
    roads_of,
    settings_at,
)
from pipeline.settings import Settings
from pipeline.store import read
from pipeline.store.book import open_book

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


def test_the_countys_own_table_wins_and_holds_for_the_way_back(day, dispatch_inputs):
    known, *_ = dispatch_inputs()
    rows = [{"from": "S1", "to": "S2", "minutes": 35.0}, {"from": "S3", "to": "S1", "minutes": 50.0}]
    rows.append({"from": "S1", "to": "S3", "minutes": 44.0})
    roads = roads_of(Known(**(vars(known) | {"travel": day.filled(TravelRows, rows)})))
    place = {s: (a, b) for s, a, b in known.sites.select("site_id", "latitude", "longitude").iter_rows()}
    ends = [(place[s], s) for s in ("S1", "S2", "S3")]
    got = roads.minutes(ends, ends)
    assert got[0].tolist() == [0.0, 35.0, 44.0]
    assert got[1, 0] == 35.0 and got[2, 0] == 50.0
    # a pair without a line: 0.15 degrees of latitude, 16.68 km · 1.3 / 40 km/h, and 2
    assert got[1, 2] == pytest.approx(34.5, abs=0.1)
    on_the_road = roads.minutes([(place["S1"], None)], ends)[0]
    assert on_the_road[1] == pytest.approx(12.84, abs=0.02)


def test_a_table_moves_the_plan(day, dispatch_inputs):
    visit = day.ticket("K0", "S1", status="resolved", rover_id="R1", arrived_at=day.at - timedelta(minutes=30))
    inputs = dispatch_inputs([visit, day.ticket("K1", "S2")], rovers=[day.rover("R1")])
    rows = [{"from": "S1", "to": "S2", "minutes": 41.0}]
    known = Known(**(vars(inputs[0]) | {"travel": day.filled(TravelRows, rows)}))
    row = dispatch(known, *inputs[1:]).to_dicts()[0]
    assert row["arrive_at"] - row["leave_at"] == timedelta(minutes=41)


def test_the_hour_may_have_a_speed_of_its_own(day, dispatch_inputs):
    # T is 12:00 in Chicago; S1 to S2 is 0.05 degrees of latitude, 5.56 km · 1.3 / 40 km/h = 10.84 min, and 2
    def drive(at, **speeds):
        known, *_ = dispatch_inputs(settings={f"dispatch.speed_kmh_{hour}": v for hour, v in speeds.items()}, at=at)
        return roads_of(known).minutes([((40.0, -90.0), None)], [((40.05, -90.0), None)])[0, 0]

    assert drive(day.at) == pytest.approx(12.84, abs=0.02)
    assert drive(day.at, **{"12": 20.0}) == pytest.approx(2 + 2 * 10.84, abs=0.03)
    # half an hour later half of the hour to come is at 20 km/h, half at 40: 30 on average
    assert drive(day.at + timedelta(minutes=30), **{"12": 20.0}) == pytest.approx(2 + 10.84 * 40 / 30, abs=0.03)
    assert drive(day.at, **{"17": 20.0}) == pytest.approx(12.84, abs=0.02)


def test_a_speed_of_next_to_nothing_is_one_kilometre_an_hour(day, dispatch_inputs):
    known, *_ = dispatch_inputs(settings={"dispatch.speed_kmh_12": 1e-9})
    assert settings_at(known, day.at)["dispatch.speed_kmh"] == pytest.approx(1.0)


def test_a_travel_table_is_taken_like_any_feed(write_day, tmp_path, now):
    folder = write_day({"travel.csv": "from,to,minutes\nP01,P02,26\nP02,P77,9\n"})
    receipts = {receipt.file: receipt for receipt in run.take([folder], tmp_path / "book", now)}
    assert (receipts["travel.csv"].accepted, receipts["travel.csv"].quarantined) == (1, 1)
    with read.Snapshot(open_book(tmp_path / "book").published) as snapshot:
        known = read.known_at(read.read_rows(snapshot.con), now)
    assert roads_of(known).table == {("P01", "P02"): 26.0, ("P02", "P01"): 26.0}
