"""Outage survival against published means, closed forms and quadrature."""

import numpy as np
import pytest
from scipy import integrate, stats

from pipeline.estimates.power import outages
from pipeline.estimates.power.outages import Length, Promise, Seen
from pipeline.settings import Settings

SETTINGS = Settings()
MEAN = SETTINGS["power.outage_minutes"]
# EIA Electric Power Annual, Table 11.1: U.S. CAIDI 2022 without major event days, 120.2 min; sigma 1 is an assumption
CAIDI = Length.of_mean(120.2, 1.0)


def promised(ahead: float, age: float, spread: float = 0.65, bias: float = -0.3) -> Promise:
    """A promise `ahead` minutes from now, made `age` minutes ago."""
    return Promise(*(np.array([v]) for v in (ahead, age, bias, spread)), blur=10.0)


def learnt(ended, running, settings=SETTINGS) -> Length:
    return outages.fitted(Seen.plain(ended, running), MEAN, settings).length


def test_the_published_mean_is_the_mean_of_the_lognormal():
    assert stats.lognorm(1.0, scale=np.exp(CAIDI.mu)).mean() == pytest.approx(120.2)


@pytest.mark.parametrize(("age", "chance"), [(5, 0.5477), (60, 0.5355), (120, 0.5922), (240, 0.6732)])
def test_the_longer_an_outage_has_lasted_the_longer_it_will_last(age, chance):
    # P(T > t + 60 | T > t) of that lognormal, by scipy's own survival function
    reference = stats.lognorm(1.0, scale=np.exp(CAIDI.mu))
    assert float(reference.sf(age + 60) / reference.sf(age)) == pytest.approx(chance, abs=5e-5)
    assert float(CAIDI.conditional(age, 60)) == pytest.approx(chance, abs=5e-5)


def test_survival_of_the_worked_lognormal():
    # mu = ln 60, sigma 1, age and time to empty both 60 min: P 0.48821719
    assert float(Length(np.log(60), 1.0).conditional(60, 60)) == pytest.approx(0.48821719, abs=1e-8)


def test_without_a_promise_the_grid_is_the_conditional_survival():
    u, lasts = outages.remaining_survival(CAIDI, np.array([45.0]), promised(np.nan, 0.0))
    assert lasts[0] == pytest.approx(CAIDI.conditional(45.0, u), abs=1e-9)


def test_a_promise_draws_the_survival_towards_it_and_agrees_with_quadrature():
    age, given, sigma, bias, blur = 30.0, 100.0, 0.65, -0.3, 10.0
    u, lasts = outages.remaining_survival(CAIDI, np.array([age]), promised(given, 0.0, sigma, bias))

    def weight(v: float) -> float:
        length = stats.lognorm(1.0, scale=np.exp(CAIDI.mu)).pdf(age + v)
        return float(length * np.exp(-0.5 * ((np.log((v + blur) / (given + blur)) - bias) / sigma) ** 2))

    whole = integrate.quad(weight, 0, 1e5, limit=2000, points=[1, 10, 100, 1000])[0]
    for ahead in (30.0, 90.0, 200.0):
        exact = 1 - integrate.quad(weight, 0, ahead, limit=500)[0] / whole
        assert float(np.interp(ahead, u, lasts[0])) == pytest.approx(exact, abs=5e-3)


def test_a_promise_already_past_is_not_zero_minutes():
    # Promised for half an hour ago, made an hour and a half ago: power is still out
    u, lasts = outages.remaining_survival(CAIDI, np.array([120.0]), promised(-30.0, 90.0))
    assert float(np.interp(30, u, lasts[0])) > 0.3


def test_a_promise_for_yesterday_still_gives_a_distribution():
    _, lasts = outages.remaining_survival(CAIDI, np.array([600.0]), promised(-1500.0, 10.0))
    assert np.isfinite(lasts).all()
    assert lasts[0, 0] == 1.0
    assert (np.diff(lasts[0]) <= 1e-12).all()


def test_nothing_learnt_without_outages():
    length = learnt([], [])
    assert (length.mu, length.sigma) == pytest.approx((CAIDI.mu, CAIDI.sigma), abs=1e-9)


def test_learning_recovers_the_length_from_many_outages_a_third_of_them_still_running():
    # Simulated: the truth is lognormal; censored at a random age. Ignoring the running ones would be far too short.
    rng = np.random.default_rng(11)
    true = rng.lognormal(5.0, 0.8, 3000)
    seen = rng.uniform(30, 600, 3000)
    over = true <= seen
    length = learnt(true[over], seen[~over])
    assert 0.2 < 1 - over.mean() < 0.6
    assert (length.mu, length.sigma) == (pytest.approx(5.0, abs=0.06), pytest.approx(0.8, abs=0.05))
    assert np.log(true[over]).mean() < 4.8


def test_learning_agrees_with_scipys_fit_of_censored_data():
    rng = np.random.default_rng(5)
    true, seen = rng.lognormal(4.5, 1.0, 400), rng.uniform(20, 400, 400)
    over = true <= seen
    fit = stats.norm.fit(stats.CensoredData(uncensored=np.log(true[over]), right=np.log(seen[~over])))
    length = learnt(true[over], seen[~over], Settings({"power.outage_prior_weight": 0.1}))
    assert (length.mu, length.sigma) == pytest.approx(fit, abs=0.02)
