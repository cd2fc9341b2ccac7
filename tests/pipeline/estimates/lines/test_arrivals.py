"""The arrival profile and the county's day."""

import numpy as np
import pytest

from pipeline.estimates.lines import arrivals


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


def level(ratio: list[float], noise: list[float], grid: list[float]) -> tuple[np.ndarray, np.ndarray]:
    at = np.arange(len(ratio)) * 30.0 + 15
    found = arrivals.county_level(at, np.array([ratio]), np.array([noise]), np.array(grid), common_sd=0.35)
    return found[0][0], found[1][0]


def test_one_ratio_and_the_prior_meet_by_their_precisions():
    # Normal-normal conjugate: Gelman et al., Bayesian Data Analysis (3rd ed., 2013), eq. 2.12
    prior = 0.35**2 + arrivals.PROFILE_SD**2
    mean, variance = level([0.4], [0.05], [15.0])
    assert mean[0] == pytest.approx(0.4 / 0.05 / (1 / 0.05 + 1 / prior))
    assert variance[0] == pytest.approx(1 / (1 / 0.05 + 1 / prior))


def test_without_any_report_the_county_is_as_the_roster_expects():
    mean, variance = level([0.0, 0.0], [np.inf, np.inf], [0.0, 600.0])
    assert mean == pytest.approx([0, 0])
    assert variance == pytest.approx([0.35**2 + arrivals.PROFILE_SD**2] * 2)


def test_a_rush_at_opening_is_no_forecast_for_the_evening():
    mean, _ = level([0.4, 0.4, 0, 0, 0, 0, 0, 0, 0, 0], [0.01] * 10, [30.0, 300.0, 700.0])
    assert mean[0] > 0.3
    assert abs(mean[2]) < 0.1
