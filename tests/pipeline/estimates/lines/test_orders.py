"""Orders that stop voting, or move it: what stops, until when, and what the estimate says of it."""

import numpy as np
import pytest

from pipeline.contracts import events
from pipeline.contracts.known import empty
from pipeline.estimates.lines import ahead, checkpoints, lines, waits
from pipeline.estimates.lines.filter import SHUT

FEW = {"lines.particles": 150.0}
BOOK = "electronic-poll-book"


def answer(known):
    return lines.line_states(known, empty(events.TicketReadings), empty(events.SupplyStates))


def row_of(gear, name, ago):
    return {"site_id": "S1", "milestone": name, "at": gear.ago(ago), "received_at": gear.ago(ago)}


@pytest.fixture
def told(gear):
    """States of an invented county, `told(("suspended", minutes ago), ...)`, with further rows."""

    def states(*steps, **rows):
        given = [row_of(gear, name, ago) for name, ago in steps]
        return answer(gear.known(settings=FEW, milestones=given, **rows))

    return states


def stopped(states) -> set[int]:
    """Minutes before T at which nobody is served, of the last five hours."""
    ago = states.column - np.arange(states.column + 1)
    return {int(m) for m in ago[~states.places.serving[0, : states.column + 1] & (ago <= 300)]}


def checkin(states) -> dict:
    return lines.lines(states).filter(site_id="S1", line="checkin").row(0, named=True)


def counters(gear, unit, name, totals):
    return [gear.report(unit, ago, k, **{name: n}) for k, (ago, n) in enumerate(totals.items())]


def test_every_suspension_of_a_day_stands_for_the_times_at_which_it_held(told):
    first, second = set(range(156, 181)), set(range(61, 91))
    assert stopped(told(("suspended", 180), ("resumed", 155.5), ("suspended", 90), ("resumed", 60))) == first | second
    assert stopped(told(("open", 300), ("suspended", 180), ("open", 155.5))) == first  # open again, as some put it
    assert stopped(told(("suspended", 90))) == set(range(91))


def test_a_move_ends_a_suspension_and_lasts_until_the_place_is_reported_to_serve(told):
    assert stopped(told(("suspended", 100), ("relocated", 80), ("resumed", 50))) == set(range(51, 101))
    assert stopped(told(("suspended", 100), ("relocated", 80))) == set(range(21, 101))  # lines.relocation_minutes


def test_poll_books_that_check_in_show_that_voting_goes_on(gear, told):
    units = [gear.unit("PB1", kind=BOOK)]
    totals = {100: 50, 90: 60, 80: 61, 70: 61, 60: 61, 50: 61, 40: 70, 30: 79}
    status = counters(gear, "PB1", "checkins", totals)
    for order in ("suspended", "relocated"):
        states = told((order, 88), units=units, status=status)
        assert stopped(states) == set(range(51, 89))  # from the report before the first that shows it
        assert "as its units show" in checkin(states)["basis"]


def test_ballots_of_those_who_were_inside_do_not_show_it(gear, told):
    units = [gear.unit("SC1")]
    inside = {100: 50, 90: 60, 80: 66, 70: 70, 60: 70, 50: 70, 40: 70}
    found = told(("suspended", 88), units=units, status=counters(gear, "SC1", "ballots_counted", inside))
    assert stopped(found) == set(range(89))
    later = counters(gear, "SC1", "ballots_counted", inside | {30: 75, 20: 80})
    assert stopped(told(("suspended", 88), units=units, status=later)) == set(range(41, 89))


def test_a_move_leaves_the_line_more_open_than_a_suspension_until_somebody_tells(gear, told):
    counted = [{"site_id": "S1", "at": gear.ago(50), "checkin_line": 60.0, "received_at": gear.ago(48)}]
    moved, halted, again, never = (
        checkin(told(*steps, line_counts=counted))
        for steps in ([("relocated", 40)], [("suspended", 40)], [("relocated", 40), ("resumed", 2)], [])
    )

    def width(row):
        return row["waiting_high"] - row["waiting_low"]

    assert width(moved) / moved["waiting_mean"] > width(halted) / halted["waiting_mean"]
    assert moved["waiting_mean"] > never["waiting_mean"]
    assert moved["waiting_low"] < halted["waiting_low"]  # of those who stood in line, nobody may have come along
    assert "moved by order 40 min ago: taken to serve nobody" in moved["basis"]
    assert "serving again since 2 min ago, as reported" in again["basis"]


def test_a_place_moved_long_ago_is_taken_to_be_set_up_and_serves_in_the_outlook(told):
    states = told(("relocated", 100))
    assert "nobody has said so" in checkin(states)["basis"]
    # Each of three stations is still to be set up with chance exp(-100 / 70), lines.station_minutes
    assert states.state[SHUT, 0].mean() == pytest.approx(3 * np.exp(-100 / 70), abs=0.2)
    later = ahead.outlook(told(("relocated", 10))).filter(site_id="S1", line="checkin").sort("ahead_minutes")
    assert later["wait_minutes_mean"][2] < later["wait_minutes_mean"][0]


def test_a_move_is_replayed_from_a_checkpoint_as_from_before_opening(gear, told):
    def later(ago):
        rows = lines.lines(told(("relocated", 80), ("resumed", 40), at=gear.ago(ago)))
        return rows.rows()

    checkpoints.SHELF.clear()
    whole = later(0)
    checkpoints.SHELF.clear()
    later(30)
    assert checkpoints.SHELF.used > 0
    assert later(0) == whole


def test_a_place_moved_and_serving_again_in_the_same_minute_serves(told):
    assert stopped(told(("relocated", 80), ("resumed", 80))) == set()
    assert (told(("relocated", 80), ("resumed", 80)).state[SHUT, 0] == 3).mean() < 0.1


def test_what_was_waited_tells_of_a_move_too(gear, told):
    def waited(*steps):
        known = gear.known(settings=FEW, milestones=[row_of(gear, *step) for step in steps])
        day = lines.day_of(known, empty(events.TicketReadings), empty(events.SupplyStates))
        found = waits.waits(known, day).filter(site_id="S1", cause="all").row(0, named=True)
        assert found["voter_minutes_low"] <= found["voter_minutes_median"] <= found["voter_minutes_high"]
        return found["voter_minutes_median"]

    # The fluid: somewhat over a voter a minute comes, nobody is served for an hour at least
    assert waited(("relocated", 120)) > waited() + 60**2 / 2


def test_an_order_at_one_site_changes_nothing_at_another(told):
    def other(states):
        return lines.lines(states).filter(site_id="S2").rows()

    assert other(told(("relocated", 60))) == other(told())
