"""The county's own day, learnt from throughput."""

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from pipeline.estimates.lines import countyday
from pipeline.estimates.lines.filter import Places
from pipeline.settings import Settings

OPENS, MINUTES, SITES = 60, 600, 30  # the grid begins an hour before opening [min]


def county(expected_a_minute: float = 1.0, sites: int = SITES) -> Places:
    rates = np.full((sites, MINUTES), expected_a_minute, np.float32)
    rates[:, :OPENS] = 0
    is_open = np.ones((sites, MINUTES), bool)
    return Places(
        stations=np.full((sites, 1), 4, np.float32), booths=np.full((sites, 1), 99, np.float32),
        scanners=np.ones(sites, np.int64), rates=rates, serving=is_open, scanning=is_open, seeds=list(range(sites)),
        first_minute=0, pace=np.ones((sites, MINUTES), np.float32), dark_from=np.full((sites, 1), np.inf),
        dark_until=np.full((sites, 1), np.inf),
    )  # fmt: skip


def learnt(let_through, until: int, sites: int = SITES) -> countyday.CountyDay:
    """`let_through(site, minute)`: voters through a poll book in the ten minutes before."""
    rows = [(s, m - 10.0, float(m), 1.0, let_through(s, m)) for s in range(sites) for m in range(70, until + 1, 10)]
    through = pl.DataFrame(rows, schema=["site", "start", "end", "weight", "number"], orient="row")
    facts = SimpleNamespace(opens=np.full(sites, OPENS))
    known = SimpleNamespace(settings=Settings())
    return countyday.learn(known, facts, county(sites=sites), SimpleNamespace(through=through), until)


def test_a_day_below_the_roster_is_found_within_two_hours():
    day = learnt(lambda s, m: 7.0, until=180)
    assert np.exp(day.mean[0, 180:]).mean() == pytest.approx(0.7, abs=0.05)


def test_the_first_minutes_before_anybody_can_have_come_through_do_not_empty_the_day():
    day = learnt(lambda s, m: 4.0, until=70)
    assert np.exp(day.mean[0, 300]) > 0.6


def test_a_site_is_left_out_of_its_own_prior():
    day = learnt(lambda s, m: 14.0 if s == 0 else 10.0, until=240, sites=2)
    assert day.mean[1, 240] > 0.1
    assert abs(day.mean[0, 240]) < 0.05


def test_a_county_of_one_site_keeps_the_rosters_prior():
    day = learnt(lambda s, m: 20.0, until=240, sites=1)
    assert np.abs(day.mean).max() < 1e-9


def test_a_site_at_a_standstill_hardly_moves_the_county():
    usual, with_one = (learnt(lambda s, m, least=least: least if s == 0 else 10.0, until=240) for least in (10.0, 0.0))
    assert abs(usual.mean[5, 240] - with_one.mean[5, 240]) < 0.03


def test_the_spread_never_falls_below_that_between_sites():
    day = learnt(lambda s, m: 10.0, until=500)
    assert (day.sd >= Settings()["lines.site_sd"]).all()
    assert (day.sd < 0.36).all()


def test_a_half_hour_counts_once_most_units_have_told_of_it():
    def level(until: int) -> np.ndarray:
        return learnt(lambda s, m: 14.0 if m > 270 else 10.0, until=until).mean

    before, after = level(309), level(310)
    assert np.array_equal(before[:, :300], level(300)[:, :300])  # the half-hour from 270 on is not heard yet
    assert after[0, 290] > before[0, 290] + 0.1


def test_voters_leave_a_booth_as_two_phases_of_marking_say():
    # Erlang's distribution of two phases, density k exp(-k / phase) (Gross et al., ch. 3), by the minute: mean 5.26 for
    # 5.2 min of marking; nobody is lost
    rates, phase = np.zeros((1, 120)), 5.2 / 2
    rates[0, 0] = 8.0
    through = countyday.fluid(rates, np.full((1, 120), 99.0), np.exp(-1 / phase))
    minute = np.arange(120)
    density = minute * np.exp(-minute / phase)
    assert np.diff(through[1, 0]) == pytest.approx(8.0 * density / density.sum(), abs=1e-6)
    assert through[0, 0, -1] == pytest.approx(8.0) and through[1, 0, -1] == pytest.approx(8.0)


def test_who_waits_for_check_in_comes_through_as_fast_as_it_can():
    # the fluid limit of an overloaded server (Newell, Applications of Queueing Theory, ch. 2): its own rate until all are
    # through
    rates = np.zeros((1, 30))
    rates[0, :10] = 3.0
    through = countyday.fluid(rates, np.full((1, 30), 2.0), 0.5)
    assert through[0, 0, 1:] == pytest.approx(np.minimum(2.0 * np.arange(1, 31), 30.0))


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_what_comes_later_leaves_an_earlier_half_hour_as_it_was(seed):
    # States of a replay up to then may serve again; else each new half-hour would replay some sites from opening.
    levels = 7.0 * np.exp(0.25 * np.random.default_rng(9).standard_normal((SITES, 1)))
    drawn = np.random.default_rng(seed).poisson(levels, (SITES, MINUTES // 10))
    for until in range(300, 540, 30):
        now, later = (learnt(lambda s, m: float(drawn[s, m // 10]), until=u).mean for u in (until, until + 30))
        # half-hours up to LAG_BINS after it settle one, of which the newest is not heard yet; the next one's middle is
        # interpolated to
        settled = until - (countyday.LAG_BINS + 2) * countyday.BIN_MINUTES - countyday.BIN_MINUTES // 2
        assert np.array_equal(now[:, :settled], later[:, :settled])
        assert not np.array_equal(now, later)
