"""How far the outlook looks, and what its rows say."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.contracts import estimates, events
from pipeline.contracts.known import empty
from pipeline.errors import UsageError
from pipeline.estimates.lines import ahead, lines

FEW = {"lines.particles": 150.0}


def states(known) -> lines.LineStates:
    return lines.line_states(known, empty(events.TicketReadings), empty(events.SupplyStates))


def test_closing_is_each_sites_own(gear, day):
    first, second = day.site("S1"), day.site("S2")
    second["closes_at"] -= timedelta(hours=1)
    at = second["closes_at"] - timedelta(minutes=90)
    found = ahead.outlook(states(gear.known(at=at, settings=FEW, sites=[first, second])), (30, ahead.CLOSE))
    estimates.Outlook.validate(found)
    at_closing = found.filter(pl.col("ahead_minutes") > 30)
    assert dict(at_closing.select("site_id", "ahead_minutes").unique().iter_rows()) == {"S1": 150.0, "S2": 90.0}
    closes = dict(at_closing.select("site_id", "at").unique().iter_rows())
    assert closes == {"S1": first["closes_at"], "S2": second["closes_at"]}


def test_the_last_voters_time_stands_in_the_rows_of_the_sites_last_horizon_alone(gear, day):
    at = day.site("S1")["closes_at"] - timedelta(minutes=45)
    found = ahead.outlook(states(gear.known(at=at, settings=FEW)), ahead.horizons_of("30, 20,close"))
    last = found.filter(pl.col("last_voter_at_mean").is_not_null())
    assert set(last["ahead_minutes"]) == {45.0} and last.height == 4
    assert sorted(found["ahead_minutes"].unique()) == [20.0, 30.0, 45.0]


def test_a_site_that_has_closed_has_no_closing_ahead_of_it(gear, day):
    at = day.site("S1")["closes_at"] + timedelta(minutes=10)
    counted = {"site_id": "S1", "at": at, "checkin_line": 80.0, "received_at": at}
    known = gear.known(at=at, settings=FEW, line_counts=[counted])
    assert ahead.outlook(states(known), (ahead.CLOSE,)).height == 0
    assert ahead.outlook(states(known), (15, ahead.CLOSE)).height > 0


def test_closing_added_does_not_move_the_horizons_before_it(gear):
    found = states(gear.known(at=gear.at + timedelta(hours=4), settings=FEW))
    plain, more = ahead.outlook(found), ahead.outlook(found, (*ahead.HORIZONS, ahead.CLOSE))
    columns = ["site_id", "line", "ahead_minutes", "waiting_mean", "chance_over_30"]
    assert plain.select(columns).equals(more.filter(pl.col("ahead_minutes") <= 120).select(columns))


@pytest.mark.parametrize("text", ["", ",", "-5", "0", "1441", "3.5", "soon", "30,²"])
def test_a_horizon_that_is_none_is_answered_with_how_to_write_one(text):
    with pytest.raises(UsageError, match="--ahead .*Write it like 30,60,close|no horizon"):
        ahead.horizons_of(text)


def test_a_last_voters_time_is_the_same_beside_sites_that_are_done_earlier_and_later(gear, day):
    first, second = day.site("S1"), day.site("S2")
    second["closes_at"] -= timedelta(hours=3)
    known = gear.known(at=second["closes_at"] - timedelta(minutes=30), settings=FEW, sites=[first, second])
    both = states(known)
    found = ahead.outlook(both)
    for site, site_id in enumerate(both.roster.site_ids):
        alone = ahead.outlook(both.of(np.array([site])))
        assert alone.equals(found.filter(pl.col("site_id") == site_id))
    leave = dict(found.drop_nulls("last_voter_at_mean").select("site_id", "last_voter_at_mean").unique().iter_rows())
    assert second["closes_at"] <= leave["S2"] < leave["S1"] and leave["S1"] >= first["closes_at"]
