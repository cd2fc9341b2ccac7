"""One more spare: what it would have saved and would save."""

import dataclasses

import pytest

from pipeline.contracts import events
from pipeline.contracts.asked import OneMore
from pipeline.estimates.failures import repeats
from pipeline.estimates.failures.more_spares import answer_spare, spare_so_far, stops


def scene(gear, day, spares=0, depot=(40.0, -90.0)):
    """A scanner that stood still from 100 to 20 minutes ago and again now, at a busy place beside the depot."""
    units = [gear.unit("X"), *[gear.unit(f"U{i}", "S2") for i in range(9)]]
    units += [gear.unit(f"SP{i}", None, role="spare") for i in range(spares)]
    status = [gear.report(u["unit_id"], 5, 1, ballots_counted=600) for u in units if u["site_id"] == "S2"]
    states = [(200, "ready"), (100, "fault"), (60, "fault"), (20, "ready"), (3, "fault")]
    status += [gear.report("X", ago, n, ballots_counted=600, state=state) for n, (ago, state) in enumerate(states)]
    known = gear.known(units=units, status=status)
    known = dataclasses.replace(known, county=dataclasses.replace(known.county, depot=depot))
    busy = {"arrivals_per_minute": 1.5, "remaining_voters_mean": 900.0, "minutes_to_close": 420.0}
    usual = {"site_id": "S1", "at": gear.ago(9), "source": "status", "ticket_ids": [], "probability": 1.0}
    fault = usual | {"unit_id": "X", "kind": "jam", "fault_class": "jam", "ballots": 300.0, "hours": 4.0}
    found = day.filled(events.Faults, [fault] * 40)
    loads = gear.loads([day.load("S1", **busy), day.load("S2")])
    return known, repeats.repeats(known, found), repeats.record(known, found), loads


def test_a_stop_runs_from_the_first_report_of_a_fault_to_the_next_other_one(gear, day):
    known, _, _, loads = scene(gear, day)
    assert [row["minutes"] for row in stops(known, loads, "scan-single")] == [80.0, 3.0]


def test_so_far_it_would_have_shortened_the_longest_stop_to_a_swap(gear, day):
    # the depot is the site itself: no drive; 1.5 a minute join, one scanner serves 3 a minute, so what piled up takes as
    # long again to clear: ½·1.5·d²·3/(3 − 1.5) voter-minutes after d minutes (the triangle of a fluid queue)
    known, ranked, _, loads = scene(gear, day)
    work = known.settings["repeats.swap_minutes"]
    saved, said = spare_so_far(known, ranked, loads, "scan-single")
    assert saved == pytest.approx(1.5 * (80**2 - work**2))
    assert f"X stood still for 80 min, with a spare {work:.0f}" in said


def test_a_spare_that_stands_idle_says_that_none_was_short(gear, day):
    known, ranked, _, loads = scene(gear, day, spares=1)
    assert spare_so_far(known, ranked, loads, "scan-single") == (0.0, "spares of that type are unused: SP0")


def test_from_now_on_it_saves_what_its_swap_saves(gear, day):
    known, ranked, record, loads = scene(gear, day)
    none, one = (answer_spare(*scene(gear, day, spares=n), "scan-single").row(1, named=True) for n in (1, 0))
    assert one["voter_minutes_saved"] > none["voter_minutes_saved"] == 0.0
    assert one["voter_minutes_saved_low"] <= one["voter_minutes_saved"] <= one["voter_minutes_saved_high"]
    OneMore.validate(answer_spare(known, ranked, record, loads, "scan-single"))


@pytest.mark.parametrize("kind", ["bmd", "no such type"])
def test_a_type_nobody_has_saves_nothing(gear, day, kind):
    frame = answer_spare(*scene(gear, day, depot=None), kind)
    assert frame["voter_minutes_saved"].to_list() == [0.0, 0.0]
