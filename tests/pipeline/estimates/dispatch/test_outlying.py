from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.estimates.dispatch.costs import Cost
from pipeline.estimates.dispatch.needs import Need, open_needs
from pipeline.estimates.dispatch.outlying import farther_than_usual, on_the_globe, with_distance
from pipeline.estimates.dispatch.rovers import Rover
from pipeline.estimates.dispatch.scene import Scene
from pipeline.estimates.dispatch.search import plan
from pipeline.estimates.dispatch.travel import great_circle_km
from pipeline.settings import Settings


def test_a_site_alone_is_farther_than_usual():
    # on a line at 0, 1, 2 and 9, two neighbours each: means 1.5, 1, 1.5 and 7.5 over 2.875, less 1
    points = np.array([[0.0], [1.0], [2.0], [9.0]])
    assert farther_than_usual(points, rovers=2) == pytest.approx([0, 0, 0, 7.5 / 2.875 - 1])


def test_with_a_rover_for_every_site_the_nearest_neighbour_counts():
    # 1, 1, 1 and 7 over 2.5, less 1
    points = np.array([[0.0], [1.0], [2.0], [9.0]])
    assert farther_than_usual(points, rovers=4) == pytest.approx([0, 0, 0, 7 / 2.5 - 1])


@pytest.mark.parametrize("places", [[], [[0.0, 0.0]], [[1.0, 1.0]] * 3])
def test_where_nothing_lies_apart_nobody_is_farther(places):
    points = np.array(places, float).reshape(-1, 2)
    assert farther_than_usual(points, rovers=0).tolist() == [0.0] * len(places)


def test_straight_distances_are_the_great_circles():
    # haversine (tests of travel), at 100 km
    places = np.array([[40.0, -100.0], [40.9, -100.0], [40.0, -101.1]])
    points = on_the_globe(places)
    straight = 6371.0088 * np.linalg.norm(points[:, None] - points[None, :], axis=2)
    assert straight == pytest.approx(great_circle_km(places, places), rel=2e-5, abs=1e-4)


def test_a_site_off_the_map_is_not_farther(day, dispatch_inputs):
    sites = [day.site("S1"), day.site("S2", 0.01), day.site("S3", 0.02), day.site("S4", 0.9), day.site("S5")]
    sites[-1] |= {"latitude": None, "longitude": None}
    known, *frames = dispatch_inputs([day.ticket(f"K{n}", f"S{n}") for n in range(1, 6)], sites=sites)
    found = {need.site_id: need.farther for need in with_distance(known, open_needs(known, *frames), rovers=2)}
    assert found["S4"] > 1
    assert [found[s] for s in ("S1", "S2", "S3", "S5")] == [0, 0, 0, 0]


@pytest.mark.parametrize(("people", "first"), [(0.0, 0), (5.0, 1)])
def test_a_place_far_out_is_not_left_for_last(people, first):
    # start 0, near at 10 min and far at 12 the other way: by hand, near first loses 10 + 32 = 42, far first 12 + 34 = 46;
    # five people more at the far one: 10 + 6·32 = 202 against 6·12 + 34 = 106
    near = Need(
        "A", frozenset(), ("bmd",), (), None, datetime(2026, 11, 3, tzinfo=UTC), 2, Cost(1.0, 0.0), 1.0, 0.0, 0.0
    )
    needs = [near, replace(near, site_id="B", farther=1.0)]
    rover = Rover("R1", (0.0, 0.0), 0.0, None, frozenset(), {}, 600.0, ())
    minutes = np.array([[10.0, 12.0], [0.0, 22.0], [22.0, 0.0]])
    scene = Scene([rover], needs, minutes, Settings({"dispatch.outlying_people": people}), {})
    assert plan(scene, [[0], [0]], {})[0][0] == first
    assert needs[1].lost(30) == needs[0].lost(30)  # what a stop is said to save stays what voters lose
