"""Fixes that hold and fixes that do not."""

import polars as pl
import pytest

from pipeline.contracts import estimates
from pipeline.estimates.failures import faults, fixes


def jam(gear, day, ticket_id, ago, fixed_ago=None, unit_id="U1", resolution=None, **more):
    done = {"status": "resolved", "resolved_at": gear.ago(fixed_ago), "resolution": resolution} if fixed_ago else {}
    row = day.ticket(ticket_id, "S1", "scanner-jam", unit_id=unit_id, opened_at=gear.ago(ago), is_no_line=False)
    return row | done | more


def events_of(gear, calls, **more):
    known = gear.known(units=[gear.unit("U1"), gear.unit("U2")], tickets=calls, **more)
    found = faults.faults(known, gear.readings(calls))
    frame = fixes.fixes(known, found)
    estimates.Fixes.validate(frame)
    return fixes.fix_events(known, found), {row["fix"]: row for row in frame.iter_rows(named=True)}


def test_a_fix_holds_until_the_same_unit_has_the_same_fault_again(gear, day):
    calls = [jam(gear, day, "T1", 200, 180, resolution="cleared the jam"), jam(gear, day, "T2", 100)]
    events, told = events_of(gear, calls)
    assert events.select("fix", "held_minutes", "came_back").rows() == [("cleared", 80.0, True)]
    assert told["cleared"]["unit_ids"] == ["U1"] and told["all"]["came_back"] == 1


def test_a_fix_that_still_holds_is_censored_now(gear, day):
    events, told = events_of(gear, [jam(gear, day, "T1", 200, 180, resolution="cleaned rollers")])
    assert events.select("fix", "held_minutes", "came_back").rows() == [("cleaned", 180.0, False)]
    assert told["cleaned"]["median_minutes"] is None


def test_another_unit_or_another_kind_of_fault_is_no_return(gear, day):
    calls = [
        jam(gear, day, "T1", 200, 180, resolution="restarted"),
        jam(gear, day, "T2", 100, unit_id="U2"),
        day.ticket("T3", "S1", "tape-printer", unit_id="U1", opened_at=gear.ago(90), is_no_line=False),
    ]
    events, _ = events_of(gear, calls)
    assert events["came_back"].to_list() == [False]


def test_after_closing_nothing_can_come_back(gear, day):
    calls = [jam(gear, day, "T1", 900, 880, resolution="restarted")]
    sites = [day.site("S1", opens_at=gear.ago(960), closes_at=gear.ago(240))]
    events, _ = events_of(gear, calls, sites=sites)
    assert events["held_minutes"].to_list() == [640.0]


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        ("swapped for the spare", "swapped"),
        ("toner replaced", "part"),
        ("Cleaned rollers", "cleaned"),
        ("pw cleared over phone", "cleared"),
        ("rebooted, OK", "restarted"),
        ("cord was loose", "reconnected"),
        ("line gone by itself", "by-itself"),
        ("advised ok", "by-phone"),
    ],
)
def test_kinds_of_fix_by_their_words(gear, day, words, kind):
    known = gear.known(tickets=[jam(gear, day, "T1", 60, 30, resolution=words)])
    assert known.tickets.select(fix=fixes.kind_of_fix())["fix"].to_list() == [kind]


def test_no_fixes_give_no_rows(gear):
    known = gear.known(units=[gear.unit("U1")])
    assert fixes.fixes(known, faults.faults(known, gear.readings())).height == 0


def test_the_ranking_counts_fixes_that_did_not_hold(gear, day):
    calls = [jam(gear, day, "T1", 200, 180, resolution="cleared"), jam(gear, day, "T2", 100)]
    known = gear.known(units=[gear.unit("U1"), gear.unit("U2")], tickets=calls)
    told = fixes.with_came_back(known.units.select("unit_id"), known, faults.faults(known, gear.readings(calls)))
    assert dict(told.iter_rows()) == {"U1": 1, "U2": 0}
    assert isinstance(told, pl.DataFrame)
