import math
from datetime import timedelta

import pytest

from pipeline.contracts.estimates import Dispatch
from pipeline.estimates.dispatch.censored import still_to_go
from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.estimates.dispatch.roster import roster_notes


def planned(inputs):
    frame = dispatch(*inputs)
    Dispatch.validate(frame)
    return frame


def test_a_rover_on_the_wrong_side_of_the_world_is_told_of(day, dispatch_inputs):
    inputs = dispatch_inputs([day.ticket("K1")], rovers=[day.rover("R1", latitude=-40.0), day.rover("R2")])
    assert planned(inputs)["rover_id"].to_list() == ["R2"]
    # 80 degrees of latitude less 0.1 (S3 lies nearest): 79.9 · 111.195 km
    (note,) = roster_notes(inputs[0], "R1")
    assert f"{79.9 * 111.195:,.0f} km from the nearest site: check its place" in note


@pytest.mark.parametrize("place", [None, math.nan])
def test_a_rover_without_a_place_drives_a_guess(day, dispatch_inputs, place):
    inputs = dispatch_inputs([day.ticket("K1")], rovers=[day.rover("R1", latitude=place)])
    row = planned(inputs).row(0, named=True)
    assert row["arrive_at"] - row["leave_at"] == timedelta(minutes=60)
    assert roster_notes(inputs[0], "R1") == [
        "The roster gives R1 no place: every drive from its start counts as 60 min."
    ]


def test_a_rover_without_skills_goes_and_is_told_of(day, dispatch_inputs):
    inputs = dispatch_inputs([day.ticket("K1")], rovers=[day.rover("R1", skills=None)])
    assert planned(inputs).height == 1
    assert roster_notes(inputs[0], "R1") == ["No skills are listed for R1: it counts as able to do all."]


def test_parts_below_nought_are_none_and_told_of(day, dispatch_inputs):
    inputs = dispatch_inputs(
        [day.ticket("K1", category="tape-printer")], rovers=[day.rover("R1", parts="paper-roll:-2")]
    )
    row = planned(inputs).row(0, named=True)
    assert row["parts"] == [] and "No part on board for: report printer." in row["why"]
    assert roster_notes(inputs[0], "R1") == ["The roster counts paper-roll:-2 for R1: taken as none on board."]


def test_a_rover_in_order_and_one_unknown_need_no_note(dispatch_inputs):
    known, *_ = dispatch_inputs()
    assert roster_notes(known, "R1") == roster_notes(known, "R99") == []


def test_when_every_rover_is_at_work_the_stop_waits_for_the_first_to_end(day, dispatch_inputs):
    at_work = [
        day.ticket(f"W{n}", f"S{n}", status="assigned", rover_id=f"R{n}", assigned_at=day.at - timedelta(minutes=30),
                   arrived_at=day.at - timedelta(minutes=ago))
        for n, ago in ((1, 15), (2, 5))
    ]  # fmt: skip
    row = planned(dispatch_inputs([*at_work, day.ticket("K1", "S3")])).row(0, named=True)
    # a visit takes 20 min on average; test_censored.py has what is left of one
    left = still_to_go(20.0, 0.5, elapsed=15.0, left_open=0.05)
    assert left < still_to_go(20.0, 0.5, elapsed=5.0, left_open=0.05)
    assert (row["rover_id"], row["leave_at"]) == ("R1", day.at + timedelta(seconds=round(60 * left)))


def test_a_far_free_rover_is_held_back_for_a_near_one_that_is_nearly_done(day, dispatch_inputs):
    # R1 ends its visit at S1 in 9.5 min, S2 is 12.84 min away; R2 is free and 0.15 degrees north of S2: 34.5 min
    at_work = day.ticket("W1", "S1", status="assigned", rover_id="R1", assigned_at=day.at - timedelta(minutes=30),
                         arrived_at=day.at - timedelta(minutes=18))  # fmt: skip
    row = planned(dispatch_inputs([at_work, day.ticket("K1", "S2")])).row(0, named=True)
    assert row["rover_id"] == "R1"
    assert "Worth waiting for R1 to end its work: R2 is free now, but would be 12 min later" in row["why"]


def test_a_need_at_an_unknown_site_is_no_stop_and_spoils_none(day, dispatch_inputs):
    frame = planned(dispatch_inputs([day.ticket("K1", "S99"), day.ticket("K2", None), day.ticket("K3", "S2")]))
    assert frame["ticket_ids"].to_list() == [["K3"]]
