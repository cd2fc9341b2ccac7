import math
from datetime import timedelta

import pytest

from pipeline.contracts.asked import OneMore
from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.estimates.dispatch.more import answer, saved_so_far, with_rovers

MINUTE = timedelta(minutes=1)


def visit(day, name, opened, minutes=30):
    at = day.at - opened * MINUTE
    return day.ticket(
        name, "S1", status="resolved", rover_id="R1", opened_at=at, arrived_at=at + MINUTE,
        resolved_at=at + (1 + minutes) * MINUTE,
    )  # fmt: skip


def test_what_one_more_would_have_saved_by_hand(day, dispatch_inputs):
    # two calls at once at the place where both rovers start; visits of 30 min; severity 2 counts two people: the second
    # call waits 30 min for the one rover and nobody for two
    known, tickets, *_ = dispatch_inputs(
        [visit(day, "K1", 200), visit(day, "K2", 200)], rovers=[day.rover("R1")], sites=[day.site("S1")]
    )
    assert saved_so_far(known, tickets, 1) == (pytest.approx(60.0), 2)
    assert saved_so_far(known, tickets, 5)[0] == pytest.approx(60.0)


def test_one_more_saves_from_now_on_what_the_plan_says(day, dispatch_inputs):
    inputs = dispatch_inputs([day.ticket("K1", "S2"), day.ticket("K2", "S3")], rovers=[day.rover("R1")])
    now = dispatch(*inputs)
    then = dispatch(with_rovers(inputs[0], 1), *inputs[1:])
    frame = answer(inputs[0], inputs[1], now, then, 1, inputs[2])
    assert frame["when"].to_list() == ["so far", "from now on"]
    assert frame["voter_minutes_saved"][1] == pytest.approx(
        then["voter_minutes_saved"].sum() - now["voter_minutes_saved"].sum()
    )
    assert frame["voter_minutes_saved"][1] > 0
    OneMore.validate(frame)
    # two independent lognormal errors, of the voters still to come (300 to 700 of 500) and of the cost (sd .35): by hand
    low, mean, high = frame.select("voter_minutes_saved_low", "voter_minutes_saved", "voter_minutes_saved_high").row(1)
    assert low / mean == pytest.approx(math.exp(-math.hypot(math.log(5 / 3), 1.6449 * 0.35)), rel=1e-3)
    assert high / mean == pytest.approx(math.exp(math.hypot(math.log(7 / 5), 1.6449 * 0.35)), rel=1e-3)
    assert set(then["rover_id"]) == {"R1", "+1"}


@pytest.mark.parametrize("missing", [{"rovers": []}, {"sites": []}])
def test_nothing_to_go_by_saves_nothing_and_is_no_error(dispatch_inputs, missing):
    inputs = dispatch_inputs(**missing)
    plan = dispatch(*inputs)
    assert answer(inputs[0], inputs[1], plan, plan, 2, inputs[2])["voter_minutes_saved"].to_list() == [0.0, 0.0]
