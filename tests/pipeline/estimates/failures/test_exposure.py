"""Exposure follows the unit: moves, restarts, dark hours."""

import dataclasses

import polars as pl
import pytest

from pipeline.estimates.failures import exposure, faults


def row_of(known, unit_id="U1"):
    return exposure.ledger(known).exposures.filter(pl.col("unit_id") == unit_id).row(0, named=True)


def moved(gear, known, *stays):
    frame = pl.DataFrame(
        [{"unit_id": "U1", "site_id": site, "from_at": gear.ago(ago)} for site, ago in stays],
        schema={"unit_id": pl.String, "site_id": pl.String, "from_at": pl.Datetime("us", "UTC")},
    )
    return dataclasses.replace(known, moves=frame)


def test_hours_at_work_are_the_open_hours_so_far(gear):
    assert row_of(gear.known(units=[gear.unit("U1")]))["exposure_hours"] == pytest.approx(5.0)
    assert row_of(gear.known(units=[gear.unit("U1")], at=gear.ago(600)))["exposure_hours"] == 0


def test_a_spare_that_was_brought_at_ten_has_worked_since_ten(gear):
    known = gear.known(units=[gear.unit("U1", "S1")])
    row = row_of(moved(gear, known, (None, 1200), ("S1", 120)))
    assert row["exposure_hours"] == pytest.approx(2.0)
    assert "moved from the depot to S1" in row["oddities"]


def test_a_unit_that_moved_between_sites_takes_its_exposure_along_and_leaves_its_faults_where_they_were(gear):
    reports = [
        gear.report("U1", ago, 600 - ago, misfeeds=m, ballots_counted=n)
        for ago, m, n in ((200, 0, 50), (190, 1, 60), (20, 2, 90))
    ]
    known = moved(gear, gear.known(units=[gear.unit("U1", "S2")], status=reports), ("S1", 1200), ("S2", 100))
    assert row_of(known)["exposure_hours"] == pytest.approx(5.0)
    found = faults.faults(known, gear.readings())
    assert found.select("site_id").to_series().to_list() == ["S1", "S2"]


def test_a_swapped_unit_under_the_same_id_adds_up_both_runs_and_says_so(gear):
    reports = [gear.report("U1", 60 - 10 * i, i, ballots_counted=n) for i, n in enumerate([400, 420, 0, 15])]
    row = row_of(gear.known(units=[gear.unit("U1")], status=reports))
    assert row["exposure_ballots"] == 435
    assert "began again" in row["oddities"]


def test_a_silence_that_began_on_a_nearly_empty_battery_was_no_time_at_work(gear):
    reports = [
        gear.report("U1", 200, 1, power="battery", battery_percent=8.0),
        gear.report("U1", 80, 2, power="mains", battery_percent=5.0),
    ]
    assert row_of(gear.known(units=[gear.unit("U1")], status=reports))["exposure_hours"] == pytest.approx(3.0)


def test_ballots_reported_by_a_poll_book_are_no_exposure(gear):
    reports = [gear.report("B1", 5, 1, ballots_counted=300)]
    row = row_of(gear.known(units=[gear.unit("B1", kind="electronic-poll-book")], status=reports), "B1")
    assert row["exposure_ballots"] is None and "wrong column" in row["oddities"]


def test_a_site_that_closes_before_it_opens_gives_no_negative_hours(gear, day):
    sites = [day.site("S1", opens_at=gear.ago(60), closes_at=gear.ago(120))]
    assert row_of(gear.known(units=[gear.unit("U1")], sites=sites))["exposure_hours"] == 0


def test_a_unit_of_a_site_that_nobody_listed_has_no_hours(gear):
    assert row_of(gear.known(units=[gear.unit("U1", "S9")]))["exposure_hours"] == 0
