"""Swaps: only where they save something, each spare once, never without the cautions."""

import dataclasses

import pytest

from pipeline.contracts import estimates, events
from pipeline.estimates.failures import repeats, swaps


def scene(gear, day, spares=1, misfeeds=60, stopped=False, told=(), **load):
    """A scanner that jams all the time at a busy place, nine usual ones elsewhere, and spares at the depot."""
    units = [gear.unit("X"), *[gear.unit(f"U{i}", "S2") for i in range(9)]]
    units += [gear.unit(f"SP{i}", None, role="spare") for i in range(spares)]
    usual = {"site_id": "S1", "at": gear.ago(9), "source": "status", "ticket_ids": [], "probability": 1.0}
    rows = [usual | {"unit_id": "X", "kind": "jam", "fault_class": "jam", "ballots": 300.0, "hours": 4.0}] * misfeeds
    rows += [usual | {"unit_id": "U1", "kind": "jam", "fault_class": "jam", "ballots": 300.0, "hours": 4.0}] * 4
    status = [gear.report(u["unit_id"], 5, 1, ballots_counted=600) for u in units if u["site_id"]]
    if stopped:
        status.append(gear.report("X", 2, 2, ballots_counted=600, state="fault"))
    known = gear.known(units=units, status=[*status, *told])
    known = dataclasses.replace(known, county=dataclasses.replace(known.county, depot=(40.1, -90.0)))
    busy = {"arrivals_per_minute": 1.5, "remaining_voters_mean": 900.0, "minutes_to_close": 420.0}
    loads = gear.loads([day.load("S1", **(busy | load)), day.load("S2")])
    found = day.filled(events.Faults, rows)
    ranked, record = repeats.repeats(known, found), repeats.record(known, found)
    frame = swaps.swaps(known, ranked, record, loads)
    estimates.Swaps.validate(frame)
    return frame.rows(named=True)


def test_a_unit_that_keeps_jamming_at_a_busy_place_is_worth_a_spare(gear, day):
    (row,) = scene(gear, day)
    assert (row["unit_id"], row["spare_id"], row["spare_site_id"]) == ("X", "SP0", None)
    assert row["voter_minutes_saved_low"] <= row["voter_minutes_saved"] <= row["voter_minutes_saved_high"]
    assert row["ready_at"] > gear.at
    assert "times the faults of its like" in row["why"]


def test_the_cautions_stand_beside_every_swap(gear, day):
    # Zero report first, two people, seals and counters recorded, only a unit tested and sealed for those ballot styles:
    # common practice, no source
    (row,) = scene(gear, day)
    for words in (
        "tested and sealed for the ballot styles",
        "zero report",
        "Two people",
        "seals and counters",
        "law come first",
    ):
        assert words in row["caution"]


def test_no_spare_no_advice_and_one_spare_goes_to_one_unit(gear, day):
    assert scene(gear, day, spares=0) == []
    assert len(scene(gear, day, spares=3)) == 1


@pytest.mark.parametrize(
    "quiet", [{"remaining_voters_mean": 5.0, "arrivals_per_minute": 0.01}, {"minutes_to_close": 20.0}]
)
def test_a_swap_that_saves_nothing_is_not_proposed(gear, day, quiet):
    assert scene(gear, day, **quiet) == []


def test_a_usual_unit_is_not_proposed_for_a_swap(gear, day):
    assert scene(gear, day, misfeeds=1) == []


def test_a_unit_that_stands_still_is_worth_more(gear, day):
    (running,), (stopped,) = scene(gear, day), scene(gear, day, stopped=True)
    assert "stands still" in stopped["why"] and "stands still" not in running["why"]


def test_a_spare_that_stands_still_or_is_at_work_already_is_none(gear, day):
    assert scene(gear, day, told=[gear.report("SP0", 5, 1, state="fault")]) == []
    assert len(scene(gear, day, told=[gear.report("SP0", 5, 1, state="ready")])) == 1
    counts = [gear.report("SP0", 60, 1, ballots_counted=0), gear.report("SP0", 5, 2, ballots_counted=80)]
    assert scene(gear, day, told=counts) == []
