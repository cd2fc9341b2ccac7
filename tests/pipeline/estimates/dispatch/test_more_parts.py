from datetime import timedelta

import pytest

from pipeline.contracts.asked import OneMore
from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.estimates.dispatch.more_parts import answer_part, part_so_far

MINUTE = timedelta(minutes=1)


def asked(inputs, part="paper-roll"):
    frame = answer_part(
        inputs[0], inputs[1], dispatch(*inputs), inputs[2], part, lambda known: dispatch(known, *inputs[1:])
    )
    OneMore.validate(frame)
    return frame.rows(named=True)


def visits(day, *severities):
    return [
        day.ticket(
            f"K{n}", category="tape-printer", severity=severity, status="resolved", rover_id="R1",
            arrived_at=day.at - (90 - n) * MINUTE, resolved_at=day.at - (80 - n) * MINUTE,
        )
        for n, severity in enumerate(severities)
    ]  # fmt: skip


def test_a_part_saves_at_the_visits_made_without_it_once(day, dispatch_inputs):
    # needed 7 times in 10, a second visit 45 min, severity 2 counts two people and 3 one: .7·45·2, then .3·.7·45·1
    rovers = [day.rover("R1", parts="cable:1"), day.rover("R2", parts="paper-roll:1")]
    known, tickets, *_ = dispatch_inputs(visits(day, 2, 3), rovers=rovers)
    assert part_so_far(known, tickets, "paper-roll") == (pytest.approx(63.0 + 9.45), "R1", 2)
    assert part_so_far(known, tickets, "roller") == (0.0, None, 0)


def test_from_now_on_it_lies_where_the_plan_gains_most(day, dispatch_inputs):
    inputs = dispatch_inputs(
        [day.ticket("K1", "S1", "tape-printer"), day.ticket("K2", "S2", "tape-printer")],
        rovers=[day.rover("R1", parts="cable:1")],
    )
    row = asked(inputs)[1]
    bare = dispatch(*inputs)["voter_minutes_saved"].sum()
    full = dispatch_inputs(
        [day.ticket("K1", "S1", "tape-printer"), day.ticket("K2", "S2", "tape-printer")],
        rovers=[day.rover("R1", parts="cable:1;paper-roll:1")],
    )
    assert row["voter_minutes_saved"] == pytest.approx(dispatch(*full)["voter_minutes_saved"].sum() - bare)
    assert row["voter_minutes_saved_low"] < row["voter_minutes_saved"] < row["voter_minutes_saved_high"]
    assert "in R1" in row["basis"]


def test_a_part_that_every_vehicle_has_saves_nothing_more(day, dispatch_inputs):
    rows = asked(dispatch_inputs([day.ticket("K1", "S1", "tape-printer")]))
    assert [row["voter_minutes_saved"] for row in rows] == [0.0, 0.0]


@pytest.mark.parametrize("part", ["", "teapot", "roller(?!", "*"])
def test_a_part_nothing_asks_for_saves_nothing_and_says_so(day, dispatch_inputs, part):
    rows = asked(dispatch_inputs([day.ticket("K1", "S1", "bmd")]), part)
    assert [row["voter_minutes_saved"] for row in rows] == [0.0, 0.0]
    assert part == "roller(?!" or "no trouble is known to ask for" in rows[0]["basis"]


@pytest.mark.parametrize("missing", [{"rovers": []}, {"sites": []}])
def test_nothing_to_go_by_saves_nothing(dispatch_inputs, missing):
    assert [row["voter_minutes_saved"] for row in asked(dispatch_inputs(**missing))] == [0.0, 0.0]
