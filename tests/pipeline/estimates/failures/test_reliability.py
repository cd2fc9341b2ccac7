"""Failure counting against handbook tables and published examples."""

import numpy as np
import pytest
from scipy import stats

from pipeline.estimates.failures import rates, reliability

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.2 and 8.4.5: failures of a repairable system, hours
NIST_TIMES = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
# Gaver and O'Muircheartaigh (1987), ten pumps: failures, thousand hours
PUMPS = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
PUMP_HOURS = [94.320, 15.720, 62.880, 125.760, 5.240, 31.440, 1.048, 1.048, 2.096, 10.480]
PUMP_MEANS = [0.0609, 0.1075, 0.0908, 0.1165, 0.5880, 0.6069, 0.7886, 0.7886, 1.4347, 1.9405]


def test_five_misfeeds_in_500_ballots_are_improbable_at_the_limit_of_vvsg():
    # VVSG 2.0 (EAC, 2021) 1.2-G: misfeed rate at most 0.002
    assert reliability.misfeed_tail(5, 500) == pytest.approx(0.003614, abs=1e-6)


def test_six_misfeeds_in_1200_ballots_are_the_one_sided_five_percent_limit():
    # VVSG 2.0 1.2-G, binomial tail
    assert reliability.misfeed_limit(1200) == 6
    assert reliability.misfeed_tail(6, 1200) < 0.05 < reliability.misfeed_tail(5, 1200)


def test_poisson_tail_is_the_sum_of_the_probabilities():
    faults, due = np.array([3.0, 0.0]), np.array([2.0, 2.0])
    assert rates.tail(faults, due) == pytest.approx([1 - 5 * np.exp(-2.0), 1.0])


def test_failure_chance_at_the_mtbf_of_vvsg_1():
    # VVSG 1.0 (2005): demonstrated MTBF at least 163 h
    assert reliability.failure_chance(15, 163) == pytest.approx(0.087917, abs=1e-6)
    assert reliability.failure_chance(45, 163) == pytest.approx(0.241243, abs=1e-6)


def test_limits_of_the_mtbf_for_two_failures_in_800_hours():
    # NIST/SEMATECH e-Handbook 8.4.5.1
    low, high = reliability.mtbf_limits(2, 800, 0.90)
    assert (low, high) == pytest.approx((127.07, 2251.23), rel=1e-4)


def test_lower_bound_of_the_mtbf_without_any_failure():
    # NIST/SEMATECH e-Handbook 8.4.5.1: none in 1,000 h
    low, high = reliability.mtbf_limits(0, 1000, 0.90)
    assert low == pytest.approx(434.294, abs=1e-3)
    assert np.isinf(high)


def test_reversals_of_the_nist_example():
    # NIST/SEMATECH e-Handbook, reverse arrangement test: 33 of 45
    assert reliability.reversals(NIST_TIMES) == (33, 45)


def test_garwood_limits_of_a_poisson_mean():
    # Garwood (1936), 95 %
    low, high = reliability.garwood(np.arange(6))
    assert low == pytest.approx([0, 0.0253, 0.2422, 0.6187, 1.0899, 1.6235], abs=5e-5)
    assert high == pytest.approx([3.6889, 5.5716, 7.2247, 8.7673, 10.2416, 11.6683], abs=5e-5)


BH_P = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0
]  # fmt: skip


def test_benjamini_hochberg_rejects_four_of_their_fifteen():
    # Benjamini and Hochberg (1995), section 3.2; Bonferroni rejects three
    q = reliability.benjamini_hochberg(BH_P)
    assert (q <= 0.05).sum() == 4
    assert (np.array(BH_P) <= 0.05 / 15).sum() == 3


def test_benjamini_hochberg_agrees_with_scipy_in_any_order():
    shuffled = np.random.default_rng(3).permutation(BH_P)
    assert reliability.benjamini_hochberg(shuffled) == pytest.approx(stats.false_discovery_control(shuffled))


def test_gamma_poisson_fit_of_the_ten_pumps():
    # Gaver and O'Muircheartaigh (1987): shape about 0.823, rate about 1.262
    shape, rate = reliability.gamma_poisson_fit(PUMPS, PUMP_HOURS)
    assert (shape, rate) == (pytest.approx(0.823, abs=2e-3), pytest.approx(1.262, abs=4e-3))
    means = (shape + np.array(PUMPS)) / (rate + np.array(PUMP_HOURS))
    assert means == pytest.approx(PUMP_MEANS, rel=5e-3)


def test_gamma_poisson_fit_is_the_maximum_of_the_negative_binomial_likelihood():
    # The marginal of a gamma mixed Poisson count is negative binomial: scipy's own density, at nearby values
    shape, rate = reliability.gamma_poisson_fit(PUMPS, PUMP_HOURS)

    def likelihood(a: float, b: float) -> float:
        hours = np.array(PUMP_HOURS)
        return float(stats.nbinom.logpmf(PUMPS, a, b / (b + hours)).sum())

    best = likelihood(shape, rate)
    for a, b in ((1.03, 1), (0.97, 1), (1, 1.03), (1, 0.97), (1.05, 1.05), (0.95, 0.95)):
        assert likelihood(shape * a, rate * b) < best


def test_gamma_poisson_fit_of_a_fleet_without_failures_is_finite():
    assert reliability.gamma_poisson_fit([0, 0, 0], [10.0, 20.0, 0.0]) == (1.0, 60.0)
    assert reliability.gamma_poisson_fit([], []) == (1.0, 1.0)
