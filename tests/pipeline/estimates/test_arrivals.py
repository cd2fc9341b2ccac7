"""The arrival profile and the county's day."""

import numpy as np
import pytest

from pipeline.estimates import arrivals


def rates(opens: int, closes: int, expected: float = 1000.0, crowd: float = 0.013) -> np.ndarray:
    grid = np.arange(0, 2 * 1440)
    return arrivals.arrival_rates(np.array([expected]), np.array([opens]), np.array([closes]), grid, crowd)[0]


def test_every_expected_voter_arrives_once():
    assert rates(420, 1140).sum() == pytest.approx(1000.0)


def test_hours_past_midnight_keep_every_voter():
    assert rates(420, 1500).sum() == pytest.approx(1000.0)


def test_the_share_of_each_hour_is_the_published_one():
    # Stewart 2015, Table 3: 10 to 11 took 11.2 % and 12 to 13 took 5.4 % of arrivals; smoothing moves a little of it
    day = rates(360, 1200, crowd=0.0)
    assert day[600:660].sum() / day[720:780].sum() == pytest.approx(11.2 / 5.4, rel=0.12)


def test_the_crowd_at_opening_came_before_it():
    assert rates(420, 1140)[:420].sum() == pytest.approx(13.0)
    assert rates(420, 1140)[: 420 - arrivals.OPENING_CROWD_MINUTES].sum() == 0


def test_nobody_arrives_after_closing():
    assert rates(420, 1140)[1140:].sum() == 0


@pytest.mark.parametrize(("opens", "closes"), [(1140, 420), (600, 600)])
def test_a_place_that_closes_before_it_opens_has_no_arrivals(opens, closes):
    assert rates(opens, closes).sum() == 0


def pooled(seen, expected, minutes=240.0):
    given = (np.array(x, float) for x in (seen, expected, [minutes] * len(seen)))
    return arrivals.day_factors(*given, common_sd=0.35, site_sd=0.28, burst_var=5.7)


def test_without_any_report_the_prior_is_the_rosters():
    found = pooled([0, 0, 0], [0, 0, 0])
    assert found.mean == pytest.approx([0, 0, 0])
    assert found.sd == pytest.approx(np.hypot(0.35, 0.28))


def test_a_silent_site_learns_from_the_others():
    found = pooled([0] + [300] * 20, [0] + [500] * 20)
    assert found.mean[0] == pytest.approx(np.log(0.6), abs=0.1)
    assert found.sd[0] < np.hypot(0.35, 0.28)


def test_a_site_is_left_out_of_its_own_prior():
    alone = pooled([900, 0, 0], [300, 0, 0])
    assert alone.mean[0] == 0
    assert alone.mean[1] > 0.1


def test_one_saturated_site_hardly_moves_the_county():
    usual, with_one = pooled([500] * 20, [500] * 20), pooled([20] + [500] * 19, [500] * 20)
    assert abs(with_one.mean[-1] - usual.mean[-1]) < 0.05
