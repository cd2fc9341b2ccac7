from datetime import timedelta

import pytest

from pipeline.estimates.dispatch.needs import joined
from pipeline.estimates.dispatch.rovers import parts_for, parts_of, rover_states

MINUTE = timedelta(minutes=1)


def states(dispatch_inputs, tickets=(), **more):
    known, frame, *_ = dispatch_inputs(tickets, **more)
    return {rover.rover_id: rover for rover in rover_states(known, joined(known, frame))}


def test_a_rover_starts_at_its_start(day, dispatch_inputs):
    r1 = states(dispatch_inputs)["R1"]
    assert (r1.place, r1.free_at) == ((40.0, -90.0), 0.0)


def test_a_rover_is_where_it_last_arrived(day, dispatch_inputs):
    visits = [
        day.ticket("K1", "S2", status="resolved", rover_id="R1", arrived_at=day.at - 90 * MINUTE),
        day.ticket("K2", "S3", status="resolved", rover_id="R1", arrived_at=day.at - 40 * MINUTE),
        day.ticket("K3", "S1", status="assigned", rover_id="R1", assigned_at=day.at - 5 * MINUTE),
    ]
    r1 = states(dispatch_inputs, visits)["R1"]
    assert (r1.place, r1.free_at) == ((39.9, -90.0), 0.0)


def test_a_rover_at_work_is_free_after_what_is_left_of_a_visit(day, dispatch_inputs):
    # one in 170 visits has ended after 5 min of 20: lognormal, sd .5 of the log
    at_work = day.ticket("K1", "S2", status="assigned", rover_id="R1", arrived_at=day.at - 5 * MINUTE)
    assert states(dispatch_inputs, [at_work])["R1"].free_at == pytest.approx(15, abs=0.1)


def test_a_rover_that_works_longer_than_usual_is_not_free_at_any_minute(day, dispatch_inputs):
    at_work = day.ticket("K1", "S2", status="assigned", rover_id="R1", arrived_at=day.at - 25 * MINUTE)
    assert 5 < states(dispatch_inputs, [at_work])["R1"].free_at < 15


def test_a_rover_whose_visit_was_never_closed_is_free(day, dispatch_inputs):
    at_work = day.ticket("K1", "S2", status="assigned", rover_id="R1", arrived_at=day.at - 120 * MINUTE)
    assert states(dispatch_inputs, [at_work])["R1"].free_at == 0


def test_a_rover_is_not_yet_where_it_will_arrive(day, dispatch_inputs):
    ahead = day.ticket("K1", "S2", status="assigned", rover_id="R1", arrived_at=day.at + 5 * MINUTE)
    assert states(dispatch_inputs, [ahead])["R1"].place == (40.0, -90.0)


def test_shifts_decide_who_counts(day, dispatch_inputs):
    rovers = [
        day.rover("gone", off_shift_at=day.at - MINUTE),
        day.rover("coming", on_shift_at=day.at + 30 * MINUTE),
        day.rover("here"),
    ]
    found = states(dispatch_inputs, rovers=rovers)
    assert sorted(found) == ["coming", "here"]
    assert found["coming"].free_at == 30


def test_breaks_are_read_in_the_countys_zone(day, dispatch_inputs):
    # T is 18:00 UTC, noon in Chicago (UTC−6 in November)
    rovers = [day.rover("R1", breaks="12:15-12:45; 17:00 - 17:30;nonsense;25:00-26:00")]
    r1 = states(dispatch_inputs, rovers=rovers)["R1"]
    assert r1.breaks == ((15.0, 45.0), (300.0, 330.0))
    assert [r1.leaves(m) for m in (10, 15, 40, 45)] == [10, 45, 45, 45]


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("paper-roll:6;cable:2", {"paper-roll": 6, "cable": 2}),
        ("roller", {"roller": 1}),
        ("roller:-3", {"roller": 0}),
        ("roller:many", {"roller": 1}),
        (" a : 2 ; ;a:1", {"a": 3}),
        (None, {}),
    ],
)
def test_parts_are_read(text, parts):
    assert parts_of(text) == parts


def test_parts_are_matched_by_plain_words():
    stock = {"paper-roll": 1, "roller": 2, "battery": 0, "cable": 3}
    assert parts_for(("tape-printer",), stock) == (["paper-roll"], [])
    assert parts_for(("scanner-jam",), stock) == (["roller"], [])
    assert parts_for(("power",), stock) == (["cable"], [])
    assert parts_for(("memory-card", "poll-book"), stock) == (["cable"], ["memory-card"])
