import math
from datetime import timedelta
from itertools import combinations

import numpy as np
import pytest

from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.estimates.dispatch.standby import standby, waiting_places


def on_a_line(*points):
    return np.abs(np.array(points, dtype=float)[:, None] - np.array(points, dtype=float)[None, :])


def chosen(rovers, sites, power, worth=0.0, weights=None):
    between = on_a_line(*sites)
    apart = np.abs(np.array(rovers, dtype=float)[:, None] - np.array(sites, dtype=float)[None, :])
    weights = np.ones(len(sites)) if weights is None else np.array(weights, dtype=float)
    covered = np.full(len(sites), 1000.0)
    return waiting_places(between, np.hstack([apart, apart]), covered, weights, worth, power)


def test_one_rover_waits_at_the_median_or_nearer_the_middle_of_the_extremes():
    # The median of points on a line has the least mean distance, the midrange the least longest one (textbook)
    sites = [0, 1, 2, 10, 20]
    assert chosen([0], sites, power=1) == [2]
    assert chosen([0], sites, power=20) == [3]


def test_the_mean_is_near_the_least_that_any_two_places_give():
    # by enumeration over all pairs; greedy p-median comes within 1/(1 - 1/e) of what can be gained (Nemhauser, Wolsey &
    # Fisher 1978, from memory)
    random = np.random.default_rng(5)
    for _ in range(20):
        sites = random.uniform(0, 100, 12)
        between = on_a_line(*sites)
        best = min(np.minimum(between[a], between[b]).mean() for a, b in combinations(range(12), 2))
        a, b = chosen([0, 0], sites, power=1)
        got = np.minimum(between[a], between[b]).mean()
        assert 1000 - got >= (1 - 1 / math.e) * (1000 - best)
        assert got <= 1.6 * best


def test_rovers_share_the_places_with_the_least_driving():
    assert chosen([99, 1], [0, 100], power=1) == [1, 0]


def test_nobody_moves_for_next_to_nothing_or_where_no_voter_is_to_come():
    assert chosen([2], [0, 1, 2, 10, 20], power=1) == [None]
    assert chosen([0], [0, 1, 2, 10, 20], power=1, worth=50.0) == [None]
    assert chosen([0], [0, 1, 2], power=1, weights=[0, 0, 0]) == [None]
    assert waiting_places(np.zeros((0, 0)), np.zeros((1, 0)), np.zeros(0), np.zeros(0), 0.0, 1.0) == [None]


def asked(inputs):
    return standby(inputs[0], inputs[1], inputs[2], dispatch(*inputs)).rows()


def test_a_rover_far_from_all_is_told_where_to_wait(day, dispatch_inputs):
    # S1, S2 and S3 lie at 40.0, 40.05 and 39.9 degrees, R1 at S3's far end: 0.1 degrees more to S1, 11.12 km · 1.3 / 40 km/h
    ((rover_id, site_id, minutes),) = asked(dispatch_inputs(rovers=[day.rover("R1", -0.1)]))
    assert (rover_id, site_id) == ("R1", "S1")
    assert minutes == pytest.approx(2 + 11.12 * 1.3 / 40 * 60, abs=0.05)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("power", [1, 8, 20])
def test_the_longest_drives_to_the_highest_power_are_still_numbers(day, dispatch_inputs, power):
    settings = {"dispatch.standby_power": power}
    assert len(asked(dispatch_inputs(rovers=[day.rover("R1", -0.1)], settings=settings))) == 1


def test_nobody_waits_where_danger_is_reported(day, dispatch_inputs):
    danger = day.ticket("K1", "S1", "safety")
    assert "S1" not in {row[1] for row in asked(dispatch_inputs([danger], rovers=[day.rover("R1", -0.1)]))}


def test_who_has_something_to_do_or_is_off_the_map_is_told_nothing(day, dispatch_inputs):
    assert asked(dispatch_inputs([day.ticket("K1", "S2")], rovers=[day.rover("R1", -0.1)])) == []
    assert asked(dispatch_inputs(rovers=[day.rover("R1", latitude=-40.0)])) == []
    early = day.rover("R1", -0.1, on_shift_at=day.at + timedelta(hours=1))
    assert asked(dispatch_inputs(rovers=[early])) == []


@pytest.mark.parametrize("missing", [{"rovers": []}, {"sites": []}, {"loads": []}])
def test_nothing_to_go_by_is_no_advice(dispatch_inputs, missing):
    assert asked(dispatch_inputs(**missing)) == []
