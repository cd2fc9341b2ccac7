"""Boxes, paper and ballots: what is used, when it ends, how likely before closing."""

import numpy as np
import pytest

from pipeline.contracts import estimates
from pipeline.estimates import supplies


def answer(gear, loads=(), **rows):
    known = gear.known(**rows)
    frame = supplies.supplies(known, gear.loads(loads))
    estimates.Supplies.validate(frame)
    return frame.rows(named=True)


def counted(gear, unit_id, *counts, last_ago=0.0):
    """Reports ten minutes apart, the last of them `last_ago` minutes before T."""
    many = len(counts)
    return [gear.report(unit_id, last_ago + 10 * (many - 1 - i), i, ballots_counted=n) for i, n in enumerate(counts)]


def steady(day, **more):
    """A site with one voter a minute to closing, seven hours off."""
    usual = {
        "arrivals_per_minute": 1.0,
        "remaining_voters_low": 400.0,
        "remaining_voters_mean": 420.0,
        "remaining_voters_high": 440.0,
        "scanner_waiting": 0.0,
    }
    return [day.load("S1", **(usual | more))]


def test_one_box_and_a_steady_stream_fill_when_the_room_is_used_up(gear, day):
    # 200 of 320 inside, one a minute: full in two hours
    rows = answer(gear, steady(day), units=[gear.unit("U1", bin_capacity=320)], status=counted(gear, "U1", 190, 200))
    (row,) = [r for r in rows if r["item"] == "bin"]
    assert (row["used"], row["capacity"]) == (200, 320)
    assert abs((row["full_at_mean"] - gear.at).total_seconds() / 60 - 120) < 3
    assert row["full_at_low"] < row["full_at_mean"] < row["full_at_high"]
    assert row["chance_full"] > 0.99


def test_a_box_with_room_to_spare_is_not_flagged(gear, day):
    rows = answer(gear, steady(day), units=[gear.unit("U1")], status=counted(gear, "U1", 190, 200))
    assert rows[0]["chance_full"] < 0.01


def test_two_boxes_share_the_stream_by_their_use(gear, day):
    status = counted(gear, "U1", 280, 300) + counted(gear, "U2", 95, 100)
    units = [gear.unit("U1", bin_capacity=500), gear.unit("U2", bin_capacity=500)]
    one, two = answer(gear, steady(day), units=units, status=status)
    assert one["full_at_mean"] < two["full_at_mean"]
    assert one["chance_full"] > two["chance_full"]


def test_a_counter_that_falls_leaves_the_ballots_in_the_box(gear, day):
    rows = answer(gear, steady(day), units=[gear.unit("U1")], status=counted(gear, "U1", 100, 200, 5, 30))
    assert rows[0]["used"] == 230


def emptied(gear, ago, entry_id="E1", **more):
    row = {"entry_id": entry_id, "at": gear.ago(ago), "by": "p-1", "action": "bin-emptied", "target": "U1"}
    return row | more


def test_an_emptied_box_starts_from_nought(gear, day):
    status = counted(gear, "U1", 100, 200, 230)
    rows = answer(gear, steady(day), units=[gear.unit("U1")], status=status, entries=[emptied(gear, 5)])
    assert rows[0]["used"] == 30
    withdrawn = [emptied(gear, 5), emptied(gear, 4, "E2", action="withdraw", withdraws="E1")]
    rows = answer(gear, steady(day), units=[gear.unit("U1")], status=status, entries=withdrawn)
    assert rows[0]["used"] == 230


def test_more_ballots_than_the_box_holds_means_that_it_was_emptied(gear, day):
    units = [gear.unit("U1", bin_capacity=400)]
    rows = answer(gear, steady(day), units=units, status=counted(gear, "U1", 380, 450))
    assert rows[0]["used"] == 50
    assert "emptied" in rows[0]["basis"]


def test_a_box_without_a_counter_is_taken_to_be_like_the_others_and_says_so(gear, day):
    units = [gear.unit("U1", bin_capacity=500), gear.unit("U2", bin_capacity=500)]
    _, silent = answer(gear, steady(day), units=units, status=counted(gear, "U1", 290, 300))
    assert silent["used"] is None
    assert silent["full_at_mean"] is not None
    assert "no counter" in silent["basis"]


def test_a_box_without_a_counter_holds_what_was_checked_in_and_not_read_elsewhere(gear, day):
    # 500 checked in by the one poll book that reports, of two: 1,000; 300 read by the other box, so 700 of 720 inside
    units = [gear.unit("U1"), gear.unit("U2", bin_capacity=720)]
    units += [gear.unit("B1", kind="electronic-poll-book"), gear.unit("B2", kind="electronic-poll-book")]
    status = [*counted(gear, "U1", 290, 300), gear.report("B1", 1, checkins=500)]
    _, silent = answer(gear, steady(day), units=units, status=status)
    assert silent["used"] is None
    assert 0 < (silent["full_at_mean"] - gear.at).total_seconds() / 60 < 45


def test_a_box_that_is_only_guessed_to_be_full_is_not_certainly_full(gear, day):
    units = [gear.unit("U1"), gear.unit("U2", bin_capacity=290)]
    counted_one, guessed = answer(gear, steady(day), units=units, status=counted(gear, "U1", 290, 300))
    assert 0.5 < guessed["chance_full"] < 1
    assert counted_one["chance_full"] < 0.01


def test_a_stream_that_has_stopped_never_fills_the_box(gear, day):
    loads = steady(
        day, arrivals_per_minute=0.0, remaining_voters_low=0, remaining_voters_mean=0, remaining_voters_high=0
    )
    rows = answer(gear, loads, units=[gear.unit("U1", bin_capacity=320)], status=counted(gear, "U1", 200, 200))
    assert rows[0]["full_at_mean"] is None
    assert rows[0]["chance_full"] < 1e-6


def test_the_chance_agrees_with_a_simulation(gear, day):
    # Voters to come are normal about 420 (sd of the forecast), their number Poisson about that; one box, room 400
    loads = steady(day, remaining_voters_low=320.0, remaining_voters_high=520.0)
    units = [gear.unit("U1", bin_capacity=600)]
    rows = answer(gear, loads, units=units, status=counted(gear, "U1", 140, 150, 160, 170, 180, 190, 200))
    rng = np.random.default_rng(3)
    mean = np.maximum(rng.normal(420, 100 / 1.6449, 200_000), 0)
    assert rows[0]["chance_full"] == pytest.approx((rng.poisson(mean) >= 400).mean(), abs=0.02)


@pytest.mark.parametrize(("state", "chance"), [("ok", 0.02), ("low", 0.5), ("out", 1.0)])
def test_paper_is_known_only_as_ok_low_or_out(gear, state, chance):
    reports = [gear.report("U1", 30, 0, paper="ok"), gear.report("U1", 5, 1, paper=state)]
    (row,) = [r for r in answer(gear, units=[gear.unit("U1")], status=reports) if r["item"] == "paper"]
    assert (row["state"], row["capacity"], row["chance_full"]) == (state, None, chance)


def test_ballots_run_out_by_style(gear, day):
    stock = [
        {"site_id": "S1", "style": style, "at": gear.ago(ago), "on_hand": n}
        for style, ago, n in (("A", 300, 300), ("A", 0, 60), ("B", 300, 300), ("B", 0, 280))
    ]
    a, b = [r for r in answer(gear, steady(day), ballot_stock=stock) if r["item"] == "ballots"]
    assert (a["style"], a["used"], a["capacity"]) == ("A", 240, 300)
    assert a["chance_full"] > 0.9 > 0.1 > b["chance_full"]
    assert a["full_at_mean"] < b["full_at_mean"]


def test_without_stock_reports_there_are_no_rows_for_ballots(gear, day):
    assert [r["item"] for r in answer(gear, steady(day), units=[gear.unit("U1")])] == ["bin"]


def test_odd_input_gives_an_answer(gear, day):
    units = [gear.unit("U1", bin_capacity=0), gear.unit("U2", "S9"), gear.unit("U3", None)]
    rows = answer(gear, (), units=units, status=counted(gear, "U1", 0, 10) + counted(gear, "U2", 5))
    assert {r["unit_id"] for r in rows} == {"U1", "U2"}
    assert answer(gear, sites=[]) == []
