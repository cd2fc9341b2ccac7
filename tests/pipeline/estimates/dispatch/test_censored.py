import math

import lifelines
import numpy as np
import pytest
from lifelines.datasets import load_leukemia
from scipy import stats

from pipeline.estimates.dispatch.censored import (
    Spells,
    chance_running,
    mean_length,
    mean_without,
    still_to_go,
)


def test_a_published_censored_set():
    # Freireich et al. 1963, 6-MP arm, as lifelines carries it: 9 relapses in 359 weeks, mean 359/9 (Cox & Oakes 1984)
    rows = load_leukemia().query("Rx == 0")
    over, still = (rows.loc[rows["status"] == s, "t"].tolist() for s in (1, 0))
    assert (len(over), sum(over) + sum(still)) == (9, 359)
    fit = lifelines.ExponentialFitter().fit(rows["t"], rows["status"])
    for spells in (Spells(over, cut=still), Spells(over, running=still)):
        assert mean_length(spells, 0.0, 1.0, left_open=0.0) == pytest.approx(359 / 9)
        assert mean_length(spells, 0.0, 1.0, left_open=0.0) == pytest.approx(fit.lambda_, rel=1e-4)


def test_spells_that_are_never_closed_agree_with_lifelines():
    # its joint maximum over share and mean is ours over the mean, given its share
    random = np.random.default_rng(3)
    lengths, sight = random.exponential(30, 400), random.uniform(20, 240, 400)
    never = random.random(400) < 0.2
    is_over = (lengths <= sight) & ~never
    fit = lifelines.MixtureCureFitter(base_fitter=lifelines.ExponentialFitter()).fit(
        np.where(is_over, lengths, sight), is_over
    )
    spells = Spells(lengths[is_over].tolist(), running=sight[~is_over].tolist())
    ours = mean_length(spells, 0.0, 1.0, left_open=fit.cured_fraction_)
    assert ours == pytest.approx(fit.lambda_, rel=1e-3)


def test_our_figure_counts_as_so_many_ended_spells():
    # (8·20 + 2·50 + 30)/(8 + 2): the conjugate gamma's mean
    assert mean_length(Spells([50, 50], cut=[30]), 8.0, 20.0, left_open=0.0) == pytest.approx(29)


def test_an_entry_of_long_ago_hardly_counts():
    # e^-24 against .05
    assert mean_length(Spells([20.0], running=[480.0]), 8.0, 20.0, left_open=0.05) == pytest.approx(20, abs=1e-3)
    assert chance_running(20 * math.log(2), 20, 0.05) == pytest.approx(0.475 / 0.525)


def test_leaving_out_what_runs_is_biased_and_this_is_less_so():
    # visits of 40 min on average begun evenly in the last two hours; lognormal as in the trade (common practice, no source)
    random = np.random.default_rng(8)
    counted, left_out = [], []
    for _ in range(300):
        began, length = random.uniform(0, 120, 40), 40 * np.exp(random.normal(-0.125, 0.5, 40))
        over = length <= began
        spells = Spells(length[over].tolist(), running=began[~over].tolist())
        counted.append(mean_length(spells, 8.0, 20.0, 0.05))
        left_out.append(mean_length(Spells(spells.ended), 8.0, 20.0, 0.05))
    assert np.mean(left_out) < np.mean(counted)
    assert abs(np.mean(counted) - 40) < 0.5 * abs(np.mean(left_out) - 40)


def test_the_mean_of_the_others():
    # (8·90 + 60 + 30)/9 without the 30: the same as if it had not been told
    assert mean_without(810 / 9, 9, 30, 0.0) == pytest.approx(mean_length(Spells([60]), 8.0, 90.0, 0.0))


@pytest.mark.parametrize("elapsed", [1, 10, 20, 35, 60])
def test_what_is_left_of_a_lognormal_spell_is_what_scipy_integrates(elapsed):
    length = stats.lognorm(0.5, scale=20 * math.exp(-(0.5**2) / 2))  # mean 20
    outlasting = length.expect(lambda s: s, lb=elapsed, conditional=True)
    assert still_to_go(20, 0.5, elapsed, left_open=0.0) == pytest.approx(outlasting - elapsed, rel=1e-4)


def test_a_spell_that_outlasted_the_mean_is_not_about_to_end():
    left = [still_to_go(20, 0.5, elapsed, left_open=0.0) for elapsed in (0, 10, 20, 30, 40)]
    assert left[0] == 20
    assert min(left) > 8


def test_a_spell_open_for_hours_is_likely_never_closed():
    assert still_to_go(20, 0.5, 20, left_open=0.05) > 8
    assert still_to_go(20, 0.5, 120, left_open=0.05) == 0
    assert still_to_go(20, 0.5, 1e12, left_open=0.0) == 0  # no chance left to reckon with


def test_spells_all_alike_end_at_their_mean():
    assert [still_to_go(20, 0.0, elapsed, left_open=0.05) for elapsed in (0, 5, 20, 90)] == [20, 15, 0, 0]
