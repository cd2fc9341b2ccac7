"""Boxes, paper and ballots: what is used, when it ends, how likely before closing."""

import numpy as np
import polars as pl
import pytest

from pipeline.contracts import estimates
from pipeline.estimates.stock import supplies


def everything(gear, loads=(), supply=None, **rows):
    known = gear.known(**rows)
    frame = supplies.supplies(known, gear.loads(loads), supply)
    estimates.Supplies.validate(frame)
    return frame.rows(named=True)


def answer(gear, loads=(), **rows):
    """All rows but those of the emergency compartments."""
    return [row for row in everything(gear, loads, **rows) if row["item"] != "emergency"]


def emergency(gear, loads=(), **rows):
    return {row["unit_id"]: row for row in everything(gear, loads, **rows) if row["item"] == "emergency"}


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
    again = [*withdrawn, emptied(gear, 3, "E3", action="withdraw", withdraws="E2")]
    rows = answer(gear, steady(day), units=[gear.unit("U1")], status=status, entries=again)
    assert rows[0]["used"] == 30


def test_more_ballots_than_the_box_holds_means_that_it_was_emptied(gear, day):
    units = [gear.unit("U1", bin_capacity=400)]
    rows = answer(gear, steady(day), units=units, status=counted(gear, "U1", 380, 450))
    assert rows[0]["used"] == 50
    assert "emptied" in rows[0]["basis"]


def test_a_box_without_a_counter_is_taken_to_be_like_the_others_and_says_so(gear, day):
    units = [gear.unit("U1", bin_capacity=500), gear.unit("U2", bin_capacity=500)]
    _, silent = answer(gear, steady(day), units=units, status=counted(gear, "U1", 290, 300))
    assert silent["used"] is None
    # 300 inside like the other's, room for 200 at half of one a minute
    assert abs((silent["full_at_mean"] - gear.at).total_seconds() / 60 - 400) < 40
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


def test_ballots_go_on_being_used_however_old_the_count_is_and_its_age_is_said(gear, day):
    # one voter a minute, one style: of 300 counted 260 minutes ago about 40 are left, and 60 minutes later none
    def told(ago: float) -> dict:
        stock = [{"site_id": "S1", "style": "A", "at": gear.ago(ago), "on_hand": 300}]
        (row,) = [r for r in answer(gear, steady(day), ballot_stock=stock) if r["item"] == "ballots"]
        return row

    left = {ago: (told(ago)["full_at_mean"] - day.at).total_seconds() / 60 for ago in (100, 200, 260)}
    assert left[100] == pytest.approx(200, rel=0.1) and left[200] == pytest.approx(100, rel=0.1)
    assert left[260] == pytest.approx(40, abs=0.05 * 260)  # a tenth of what was used is in doubt
    assert told(260)["basis"] == "stock count, 4 h old"


def test_before_the_doors_open_no_ballot_is_used(gear, day):
    opens = gear.known(ballot_stock=[]).sites["opens_at"][0]
    before = (day.at - opens).total_seconds() / 60 + 90
    stock = [{"site_id": "S1", "style": "A", "at": gear.ago(ago), "on_hand": 500} for ago in (before, before - 90)]
    early, late = (
        next(r for r in answer(gear, steady(day), ballot_stock=[row]) if r["item"] == "ballots") for row in stock
    )
    assert early["full_at_mean"] == late["full_at_mean"]


def test_without_stock_reports_there_are_no_rows_for_ballots(gear, day):
    assert [r["item"] for r in answer(gear, steady(day), units=[gear.unit("U1")])] == ["bin"]


def test_boxes_of_a_site_that_nobody_listed_and_boxes_that_read_nothing_give_finite_figures(gear, day):
    units = [gear.unit("U1", "S9"), gear.unit("A1"), gear.unit("A2")]
    status = counted(gear, "A1", 0, 0) + counted(gear, "A2", 400, 500) + counted(gear, "U1", 5, 9)
    for rows in (
        everything(gear, steady(day), units=units, status=status),
        everything(gear, (), units=units, sites=[]),
    ):
        numbers = [v for row in rows for v in row.values() if isinstance(v, float)]
        assert numbers and np.isfinite(numbers).all()


def test_odd_input_gives_an_answer(gear, day):
    units = [gear.unit("U1", bin_capacity=0), gear.unit("U2", "S9"), gear.unit("U3", None)]
    rows = answer(gear, (), units=units, status=counted(gear, "U1", 0, 10) + counted(gear, "U2", 5))
    assert {r["unit_id"] for r in rows} == {"U1", "U2"}
    assert answer(gear, sites=[]) == []


def test_boxes_elsewhere_teach_how_unevenly_two_boxes_are_used(gear, day):
    # Eight sites at which the first box takes two of three ballots: at S1 the second counts 100, so the first has 200
    sites = [day.site("S1"), *[day.site(f"S{i}") for i in range(10, 18)]]
    units = [gear.unit("A1", bin_capacity=250), gear.unit("A2")]
    units += [gear.unit(f"{side}{i}", f"S{i}") for i in range(10, 18) for side in "AB"]
    status = counted(gear, "A2", 95, 100)
    for i in range(10, 18):
        status += counted(gear, f"A{i}", 390, 400) + counted(gear, f"B{i}", 190, 200)
    loads = [*steady(day), *[row | {"site_id": f"S{i}"} for i in range(10, 18) for row in steady(day)]]
    first, _ = [r for r in answer(gear, loads, sites=sites, units=units, status=status) if r["site_id"] == "S1"]
    # 8 sites against two sites' weight of equal shares: 0.633 and 0.367, so 173 inside; room 77 at 0.63 a minute
    assert abs((first["full_at_mean"] - gear.at).total_seconds() / 60 - 77 / 0.633) < 15
    assert first["full_at_low"] < first["full_at_mean"]


def test_a_day_whose_pace_jumps_from_hour_to_hour_gives_wider_intervals(gear, day):
    def width(*hours):
        units = [gear.unit(f"U{i}", bin_capacity=500) for i in range(12)]
        reports = [
            gear.report(f"U{i}", ago, 200 - ago, ballots_counted=n)
            for i in range(12)
            for ago, n in zip((121, 61, 1), hours, strict=True)
        ]
        sites = [day.site("S1")]
        row = answer(gear, steady(day), sites=sites, units=units, status=reports)[0]
        return (row["full_at_high"] - row["full_at_low"]).total_seconds() / (
            row["full_at_mean"] - gear.at
        ).total_seconds()

    assert width(0, 300, 400) > width(0, 200, 400)


def test_the_early_end_agrees_with_a_simulation(gear, day):
    # Room 200 of a stream of one a minute, whose level is doubtful by a quarter in the next hours (pace), 5 % by then
    units = [gear.unit("U1", bin_capacity=400)]
    loads = steady(day, remaining_voters_low=419.9, remaining_voters_high=420.1)
    status = counted(gear, "U1", 140, 150, 160, 170, 180, 190, 200)
    (row,) = answer(gear, loads, units=units, status=status)
    early = (row["full_at_low"] - gear.at).total_seconds() / 60
    hours = (row["full_at_mean"] - gear.at).total_seconds() / 3600
    rng = np.random.default_rng(8)
    mean = early * rng.normal(1, np.hypot(0.25 / np.sqrt(hours), 0.02), 200_000)
    assert (rng.poisson(np.maximum(mean, 0)) >= 200).mean() == pytest.approx(0.05, abs=0.03)


@pytest.mark.parametrize(
    ("settings", "capacity"),
    [
        ({}, 4000),
        ({"supplies.sheets_per_ballot": 2.0}, 2000),
        ({"supplies.ballot_stock_lb": 80.0}, 5000),
        ({"supplies.ballot_length_in": 22.0}, 4000 * 14 / 22),
    ],
)
def test_sheets_length_and_stock_change_how_many_ballots_fit(gear, day, settings, capacity):
    # By the settings' own rule: 4,000 ballots of one 14 in sheet on 100 lb stock; common practice, no source
    rows = answer(gear, steady(day), units=[gear.unit("U1")], status=counted(gear, "U1", 10, 20), settings=settings)
    assert rows[0]["capacity"] == pytest.approx(capacity)


def test_a_scanner_that_stands_still_fills_its_emergency_compartment(gear, day):
    status = [
        gear.report("U1", 70, 1, ballots_counted=200),
        gear.report("U1", 60, 2, ballots_counted=200, state="fault"),
    ]
    row = emergency(gear, steady(day), units=[gear.unit("U1")], status=status)["U1"]
    assert row["used"] == pytest.approx(60)
    assert abs((row["full_at_mean"] - gear.at).total_seconds() / 60 - 240) < 2  # 240 more at one a minute
    assert "not counted" in row["basis"] and row["chance_full"] < 0.05  # it is mended sooner, on the whole


def test_a_dark_scanner_fills_it_too_and_one_that_runs_does_not(gear, day):
    supply = pl.DataFrame({"unit_id": ["U1"], "dark_since": [gear.ago(30)]})
    units, status = [gear.unit("U1")], counted(gear, "U1", 10, 20)
    assert emergency(gear, steady(day), units=units, status=status, supply=supply)["U1"]["used"] == pytest.approx(30)
    row = emergency(gear, steady(day), units=units, status=status)["U1"]
    assert (row["used"], row["full_at_mean"]) == (0, None) and "not in use" in row["basis"]


def test_after_the_results_report_a_low_roll_no_longer_matters(gear):
    low = [gear.report("U1", 5, 1, paper="low")]
    done = [{"site_id": "S1", "milestone": "results-tape", "at": gear.ago(2)}]
    paper = [r for r in answer(gear, units=[gear.unit("U1")], status=low, milestones=done) if r["item"] == "paper"]
    assert paper[0]["chance_full"] == 0
    (more,) = [
        r
        for r in answer(gear, units=[gear.unit("U1")], status=low, settings={"supplies.report_copies": 6.0})
        if r["item"] == "paper"
    ]
    assert more["chance_full"] == 1.0 and "6 m" in more["basis"]


def test_the_warning_comes_with_the_trips_lead_time(gear, day):
    # 300 of 320 inside and one a minute; a rover starts where the site is: only getting ready counts, 10 min
    site = day.site("S1")
    rover = {"rover_id": "R1", "latitude": site["latitude"], "longitude": site["longitude"]}
    units = [gear.unit("U1", bin_capacity=320), gear.unit("U2", "S2", bin_capacity=4000)]
    status = counted(gear, "U1", 290, 300) + counted(gear, "U2", 5, 10)
    rows = answer(gear, steady(day), units=units, status=status, rovers=[rover], sites=[site, day.site("S2", 0.3)])
    soon, calm = rows
    assert soon["lead_minutes"] == pytest.approx(10) and calm["lead_minutes"] > 30
    assert (soon["full_at_low"] - soon["send_by_at"]).total_seconds() / 60 == pytest.approx(10, abs=0.1)
    assert soon["is_warned"] and not calm["is_warned"]
    assert soon["rate_per_hour"] == pytest.approx(60, rel=0.1)
