"""Tests against the published limits: their evidence, and their false alarms however often they are looked at."""

import numpy as np
import polars as pl
import pytest
from scipy import integrate, stats

from pipeline.estimates.failures import sequential

LIMIT = 0.002  # VVSG 2.0 (EAC, 2021) 1.2-G: one misfeed in 500


@pytest.mark.parametrize(("events", "ballots"), [(0, 0), (0, 400), (1, 300), (3, 500), (9, 600), (40, 900)])
def test_the_closed_form_is_the_mixture_of_likelihood_ratios(events, ballots):
    # Independent: numerical integration by scipy over rates above the limit, gamma mixture of shape 1 and mean 5 limits
    prior = stats.gamma(1.0, scale=5 * LIMIT)

    def ratio(rate):
        log = events * np.log(rate / LIMIT) - (rate - LIMIT) * ballots
        return np.exp(log) * prior.pdf(rate) / prior.sf(LIMIT)

    mixture, _ = integrate.quad(ratio, LIMIT, 0.4, limit=400, points=[0.005, 0.02, 0.05])
    assert float(np.exp(sequential.log_e_value(events, ballots, LIMIT))) == pytest.approx(mixture, rel=1e-5)


def test_no_evidence_before_anything_is_seen():
    assert float(sequential.log_e_value(0, 0, LIMIT)) == pytest.approx(0.0, abs=1e-12)


def looked_at_all_day(rng, rate, ballots, days):
    """Greatest e-value of each day, looked at after every ballot."""
    misfed = rng.random((days, ballots)) < rate
    so_far = np.cumsum(misfed, axis=1)
    return sequential.log_e_value(so_far, np.arange(1, ballots + 1)[None, :], LIMIT).max(axis=1)


def test_a_unit_at_the_limit_raises_a_false_alarm_in_at_most_one_day_of_twenty():
    # Ville (1939): the greatest e-value reaches 20 with probability at most 0.05, looked at after each of 1,500 ballots
    best = looked_at_all_day(np.random.default_rng(11), LIMIT, 1500, 2000)
    alarms = (best >= np.log(20)).mean()
    assert alarms <= 0.05
    assert alarms > 0.005  # the bound is not empty: a test that never fires would pass it too


def test_looking_again_and_again_at_the_binomial_tail_would_double_its_error():
    # What the e-value is for: the fixed-size test at 5 %, looked at every 100 ballots, is wrong far more often
    rng = np.random.default_rng(12)
    so_far = np.cumsum(rng.random((2000, 1500)) < LIMIT, axis=1)[:, 99::100]
    tails = stats.binom.sf(so_far - 1, np.arange(100, 1501, 100)[None, :], LIMIT)
    assert (tails < 0.05).any(axis=1).mean() > 0.08


def test_a_unit_eight_times_over_the_limit_is_mostly_seen_within_a_day():
    best = looked_at_all_day(np.random.default_rng(13), 8 * LIMIT, 900, 500)
    assert (best >= np.log(20)).mean() > 0.9


def test_a_unit_that_meets_163_hours_raises_few_false_alarms():
    # VVSG 1.0 (2005): 163 hours between failures; 2,000 days of 15 hours at that rate, looked at whenever one fails
    rng = np.random.default_rng(14)
    alarms = 0
    for _ in range(4000):
        times = np.sort(rng.uniform(0, 15, rng.poisson(15 / 163)))
        e = sequential.log_e_value(np.arange(1, len(times) + 1), times, 1 / 163)
        alarms += bool(len(times)) and e.max() >= np.log(20)
    assert alarms / 4000 <= 0.05


def test_the_p_value_remembers_the_strongest_moment():
    # Four misfeeds early, then 3,000 good ballots: the evidence fades, the p-value at any look stays
    faults = pl.DataFrame({"unit_id": ["U1"] * 4, "exposure": [5.0, 10.0, 15.0, 20.0]})
    early, late = (
        sequential.against_limit(faults, pl.DataFrame({"unit_id": ["U1"], "exposure": [n]}), LIMIT, 5.0, "misfeed")
        for n in (20.0, 3020.0)
    )
    assert late["misfeed_e_value"][0] < 1 < early["misfeed_e_value"][0]
    assert late["misfeed_p"][0] == early["misfeed_p"][0] < 0.01


def test_units_without_exposure_are_left_out_and_none_gives_none():
    nothing = pl.DataFrame(schema={"unit_id": pl.String, "exposure": pl.Float64})
    units = pl.DataFrame({"unit_id": ["U1"], "exposure": [0.0]})
    assert sequential.against_limit(nothing, units, LIMIT, 5.0, "misfeed").height == 0
    assert sequential.against_limit(nothing, nothing, LIMIT, 5.0, "misfeed").height == 0


def test_an_absurd_number_of_faults_stays_finite():
    e = sequential.against_limit(
        pl.DataFrame({"unit_id": ["U1"] * 900, "exposure": np.arange(900.0)}),
        pl.DataFrame({"unit_id": ["U1"], "exposure": [900.0]}),
        LIMIT,
        5.0,
        "misfeed",
    )
    assert np.isfinite(e["misfeed_e_value"][0]) and e["misfeed_p"][0] < 1e-100
