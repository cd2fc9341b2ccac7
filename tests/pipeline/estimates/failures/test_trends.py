"""Trends of single units: the published statistics on the unit's own clock."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.contracts import events
from pipeline.estimates.failures import trends

# NIST/SEMATECH e-Handbook 8.2.3.4: failures of a repairable system, hours, watched for 1,500
NIST, END = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], 1500.0


def told(day, times, end, unit_id="U1", clock="ballots"):
    rows = [
        {"unit_id": unit_id, "site_id": "S1", "at": day.at, "kind": "misfeed", "fault_class": "misfeed"}
        | {"probability": 1.0, "source": "status", "ticket_ids": [], "hours": 0.0, clock: t}
        for t in times
    ]
    frame = pl.DataFrame(
        {"unit_id": [unit_id], "exposure_ballots": [end if clock == "ballots" else None], "exposure_hours": [end]},
        schema={"unit_id": pl.String, "exposure_ballots": pl.Float64, "exposure_hours": pl.Float64},
    )
    return trends.with_trends(frame, day.filled(events.Faults, rows)).row(0, named=True)


@pytest.mark.parametrize("clock", ["ballots", "hours"])
def test_the_statistics_of_the_nist_example(day, clock):
    row = told(day, NIST, END, clock=clock)
    assert row["trend_laplace"] == pytest.approx(-1.32695, abs=1e-5)
    assert 1 - row["trend_shape"] == pytest.approx(0.51649, abs=1e-5)  # its growth slope
    assert END / (len(NIST) * row["trend_shape"]) == pytest.approx(310.234, abs=1e-3)  # 8.4.5.2: MTBF at the end
    # Its military handbook statistic, 37.2281 on 20 degrees of freedom: few would be as small if it got worse
    assert row["trend_p"] == pytest.approx(stats.chi2.cdf(37.2281, 20), abs=1e-5)
    assert row["trend"] == "better"


def test_faults_that_crowd_at_the_end_are_a_trend_to_the_worse(day):
    row = told(day, [700, 850, 900, 950, 970, 985, 990, 995], 1000.0)
    assert row["trend"] == "worse" and row["trend_laplace"] > 2 and row["trend_shape"] > 1


def test_two_faults_tell_no_trend(day):
    assert told(day, [900, 950], 1000.0)["trend"] is None


def test_units_without_a_trend_are_seldom_called_worse(day):
    # 300 units whose faults fall evenly: Benjamini and Hochberg at 0.10 over all of them
    rng = np.random.default_rng(5)
    rows = [
        {"unit_id": f"U{u:03}", "site_id": "S1", "at": day.at, "kind": "misfeed", "fault_class": "misfeed"}
        | {"probability": 1.0, "source": "status", "ticket_ids": [], "hours": 0.0, "ballots": float(b)}
        for u in range(300)
        for b in rng.uniform(0, 800, 4)
    ]
    frame = pl.DataFrame(
        {"unit_id": [f"U{u:03}" for u in range(300)], "exposure_ballots": 800.0, "exposure_hours": 9.0}
    )
    found = trends.with_trends(frame, day.filled(events.Faults, rows))
    assert found.filter(pl.col("trend") == "worse").height <= 2
    assert found["trend_p"].mean() == pytest.approx(0.5, abs=0.06)  # uniform without a trend
