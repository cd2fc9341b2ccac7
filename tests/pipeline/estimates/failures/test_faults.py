"""A fault is one event, however many tell of it."""

import polars as pl
import pytest

from pipeline.contracts import events
from pipeline.estimates.failures import faults


def found(gear, day, status=(), tickets=(), units=None):
    units = [gear.unit("U1"), gear.unit("U2", "S2")] if units is None else units
    known = gear.known(units=units, status=list(status), tickets=list(tickets))
    frame = faults.faults(known, gear.readings(tickets))
    events.Faults.validate(frame)
    return frame


def ticket(gear, day, ticket_id, ago, unit_id="U1", category="scanner-jam", **more):
    return day.ticket(ticket_id, "S1", category, unit_id=unit_id, opened_at=gear.ago(ago), is_no_line=False, **more)


def test_counters_give_a_fault_for_each_increase(gear, day):
    counts = [(60, 0, 0), (50, 1, 0), (40, 1, 0), (30, 3, 1)]
    reports = [gear.report("U1", ago, i, misfeeds=m, jams=j) for i, (ago, m, j) in enumerate(counts)]
    frame = found(gear, day, reports)
    assert frame["kind"].sort().to_list() == ["jam", "misfeed", "misfeed"]
    assert frame["at"].sort().to_list() == [gear.ago(50), gear.ago(30), gear.ago(30)]


def test_a_counter_that_was_reset_counts_from_nought(gear, day):
    reports = [gear.report("U1", 60 - 10 * i, i, misfeeds=m) for i, m in enumerate([2, 4, 1, 2])]
    assert found(gear, day, reports).height == 2 + 2 + 1 + 1


def test_an_absurd_jump_of_a_counter_is_a_slip_and_no_fault(gear, day):
    reports = [gear.report("U1", 60 - 10 * i, i, misfeeds=m) for i, m in enumerate([0, 900_000])]
    assert found(gear, day, reports).height == 0


def test_a_state_of_fault_is_one_event_for_as_long_as_it_lasts(gear, day):
    states = ["ready", "fault", "fault", "fault", "ready", "fault"]
    reports = [gear.report("U1", 60 - 10 * i, i, state=s) for i, s in enumerate(states)]
    assert found(gear, day, reports)["at"].to_list() == [gear.ago(50), gear.ago(10)]


def test_a_jam_that_also_shows_as_a_state_is_one_event(gear, day):
    reports = [
        gear.report("U1", 60, 0, misfeeds=0, jams=0),
        gear.report("U1", 50, 1, misfeeds=1, jams=1, state="fault"),
    ]
    frame = found(gear, day, reports)
    assert frame.select("kind", "source").rows() == [("jam", "status")]


@pytest.mark.parametrize("ago", [62, 48, 41])
def test_a_ticket_about_a_counted_jam_is_the_same_event(gear, day, ago):
    reports = [gear.report("U1", 60, 0, misfeeds=0, jams=0), gear.report("U1", 50, 1, misfeeds=1, jams=1)]
    frame = found(gear, day, reports, [ticket(gear, day, "T1", ago)])
    assert frame.select("kind", "source").rows() == [("jam", "both")]
    assert frame["ticket_ids"].to_list() == [["T1"]]


def test_three_tickets_and_two_reports_of_one_event_are_one_fault(gear, day):
    reports = [
        gear.report("U1", 60, 0),
        gear.report("U1", 50, 1, state="fault"),
        gear.report("U1", 40, 2, state="fault"),
    ]
    calls = [
        ticket(gear, day, "T1", 52, category="scanner-down"),
        ticket(gear, day, "T2", 45, category="scanner-down", same_as="T1"),
        ticket(gear, day, "T3", 33, category="scanner-jam"),
    ]
    frame = found(gear, day, reports, calls)
    assert frame.height == 1
    assert frame["ticket_ids"].to_list() == [["T1", "T2", "T3"]]


def test_tickets_hours_apart_are_two_faults(gear, day):
    calls = [ticket(gear, day, "T1", 200), ticket(gear, day, "T2", 30)]
    assert found(gear, day, (), calls)["source"].to_list() == ["ticket", "ticket"]


def test_a_call_without_a_unit_is_about_the_only_one_of_its_kind(gear, day):
    calls = [ticket(gear, day, "T1", 30, unit_id=None)]
    assert found(gear, day, (), calls)["unit_id"].to_list() == ["U1"]


def test_a_call_that_may_be_about_either_of_two_units_is_half_a_fault_of_each(gear, day):
    calls = [ticket(gear, day, "T1", 30, unit_id=None)]
    two = [gear.unit("U1"), gear.unit("U3")]
    frame = found(gear, day, (), calls, two)
    # The reading is sure at 0.9: half of that each, and one fault at most in all
    assert frame["probability"].to_list() == pytest.approx([0.45, 0.45])


def test_a_call_about_either_of_two_units_is_about_the_one_whose_counter_shows_it(gear, day):
    two = [gear.unit("U1"), gear.unit("U3")]
    reports = [gear.report("U3", 60, 0, misfeeds=0, jams=0), gear.report("U3", 28, 1, misfeeds=1, jams=1)]
    frame = found(gear, day, reports, [ticket(gear, day, "T1", 30, unit_id=None)], two)
    assert frame.select("unit_id", "source", "probability").rows() == [("U3", "both", 1.0)]


def test_a_call_about_a_unit_that_goes_on_reporting_and_shows_nothing_is_less_sure(gear, day):
    # By Bayes: 0.9 right, and a fault unseen by the reports has chance 0.3: 0.27 / (0.27 + 0.1)
    reports = [gear.report("U1", ago, 60 - ago, misfeeds=0, jams=0) for ago in (50, 40, 30, 20, 10)]
    frame = found(gear, day, reports, [ticket(gear, day, "T1", 32)])
    assert frame["probability"].to_list() == pytest.approx([0.27 / 0.37])


def test_a_state_that_one_report_alone_shows_is_less_sure_than_one_that_lasts(gear, day):
    states = ["ready", "fault", "ready", "ready", "fault", "fault"]
    reports = [gear.report("U1", 60 - 10 * i, i, state=s) for i, s in enumerate(states)]
    assert found(gear, day, reports)["probability"].to_list() == [0.8, 1.0]


def test_a_memory_card_that_is_lost_is_a_fault_and_a_call_about_it_the_same(gear, day):
    reports = [gear.report("U1", 60 - 10 * i, i, cards=c) for i, c in enumerate(["both", "one", "one", "both"])]
    frame = found(gear, day, reports, [ticket(gear, day, "T1", 48, category="memory-card")])
    assert frame.select("fault_class", "source", "probability").rows() == [("memory-card", "both", 1.0)]


def test_faults_know_the_ballots_and_hours_by_then(gear, day):
    reports = [
        gear.report("U1", ago, 60 - ago, ballots_counted=n, misfeeds=m) for ago, n, m in ((60, 100, 0), (0, 200, 2))
    ]
    frame = found(gear, day, reports)
    assert frame["ballots"].to_list() == [125.0, 175.0]  # spread evenly over the hundred between the two reports
    assert frame["hours"].to_list() == [5.0, 5.0]


def test_counts_in_the_wrong_column_are_no_misfeeds(gear, day):
    reports = [gear.report("U1", 60 - 10 * i, i, misfeeds=30 * i, ballots_counted=i) for i in range(5)]
    assert found(gear, day, reports).height == 0


def test_a_place_without_power_is_no_fault_of_its_units(gear, day):
    calls = [ticket(gear, day, "T1", 30, category="power")]
    known = gear.known(units=[gear.unit("U1")], tickets=calls, outages=[gear.outage("K1", 40)])
    assert faults.faults(known, gear.readings(calls)).height == 0


def test_power_lost_at_one_unit_where_none_is_out_may_be_its_own_fault(gear, day):
    frame = found(gear, day, (), [ticket(gear, day, "T1", 30, category="power")])
    assert frame.select("fault_class", "source").rows() == [("power", "ticket")]
    assert frame["probability"].to_list() == pytest.approx([0.27])  # 0.3 by the setting, of a reading sure at 0.9


def test_a_ring_of_repeats_does_not_hang(gear, day):
    calls = [ticket(gear, day, "T1", 30, same_as="T2"), ticket(gear, day, "T2", 29, same_as="T1")]
    assert found(gear, day, (), calls).height >= 1


def test_the_order_of_rows_does_not_matter(gear, day):
    reports = [gear.report("U1", 60 - 5 * i, i, misfeeds=i, jams=i // 3) for i in range(8)]
    calls = [ticket(gear, day, f"T{i}", 8 * i) for i in range(6)]
    one = found(gear, day, reports, calls)
    assert one.equals(found(gear, day, reports[::-1], calls[::-1]))
    assert isinstance(one, pl.DataFrame)
