"""Runs of a counter: restarts, slips, leaps, and what each adds."""

import polars as pl
import pytest

from pipeline.estimates import counters


def run(gear, totals, name="ballots_counted", opens=None, step=10):
    many = len(totals)
    reports = [gear.report("U1", step * (many - i), i, **{name: n}) for i, n in enumerate(totals)]
    known = gear.known(units=[gear.unit("U1")], status=reports)
    frame = counters.with_increments(known.status, name, opens=opens)
    return frame[f"new_{name}"].to_list(), frame[f"mark_{name}"].to_list()


@pytest.mark.parametrize(
    ("totals", "new", "marks"),
    [
        ([100, 150, 190], [100, 50, 40], [None, None, None]),
        ([100, 200, 5, 30], [100, 100, 5, 25], [None, None, "reset", None]),
        ([500, 3, 512], [500, 0, 12], [None, "dip", None]),
        ([500, 9000, 512], [500, 0, 12], [None, "spike", None]),
        ([500, 9000, 9020], [500, 0, 20], [None, "jump", None]),
        ([500, None, 520], [500, 0, 20], [None, None, None]),
        ([500, 9000, 4], [500, 0, 4], [None, "jump", "reset"]),
    ],
)
def test_what_each_report_adds_and_what_is_odd_about_it(gear, totals, new, marks):
    # Derived by hand from the rules of the module: a report of nobody's adds nothing, a new run counts from its start
    assert run(gear, totals) == (new, marks)


def test_a_restart_that_soon_reads_more_than_before_is_a_restart(gear):
    # 30 ballots in ten minutes are ordinary, so the second run stands on its own
    assert run(gear, [25, 0, 30]) == ([25, 0, 30], [None, "reset", None])


def test_a_counter_that_began_far_above_what_the_morning_can_bring_counts_from_there(gear):
    opens = pl.DataFrame({"unit_id": ["U1"], "opens_at": [gear.ago(60)]})
    assert run(gear, [41_000, 41_020], opens=opens) == ([0, 20], ["carried-over", None])
    assert run(gear, [300, 320], opens=opens)[0] == [300, 20]


def test_runs_of_two_units_do_not_mix(gear):
    reports = [
        gear.report(u, 30 - 10 * i, i, ballots_counted=n + i) for u, n in (("U1", 900), ("U2", 5)) for i in (0, 1)
    ]
    known = gear.known(units=[gear.unit("U1"), gear.unit("U2")], status=reports)
    frame = counters.with_increments(known.status, "ballots_counted")
    assert frame["new_ballots_counted"].to_list() == [900, 1, 5, 1]


def test_no_reports_give_no_rows(gear):
    frame = counters.with_increments(gear.known().status, "ballots_counted", "misfeeds")
    assert frame.height == 0
    assert counters.explained(frame, "ballots_counted", "misfeeds").height == 0


def test_oddities_are_told_in_words(gear):
    reports = [gear.report("U1", 40 - 10 * i, i, misfeeds=m) for i, m in enumerate([3, 0, 2, 0])]
    known = gear.known(units=[gear.unit("U1")], status=reports)
    (row,) = counters.explained(counters.with_increments(known.status, "misfeeds"), "misfeeds").rows(named=True)
    assert "began again" in row["oddities"] and "(2 times)" in row["oddities"]


@pytest.mark.parametrize(
    ("kind", "counts", "words"),
    [
        ("electronic-poll-book", {"ballots_counted": 80}, "poll book"),
        ("scan-single", {"checkins": 80}, "scanner"),
        ("scan-single", {"misfeeds": 120, "ballots_counted": 4}, "more misfeeds than ballots"),
    ],
)
def test_a_count_in_the_wrong_column_is_told(gear, kind, counts, words):
    known = gear.known(units=[gear.unit("U1", kind=kind)], status=[gear.report("U1", 5, 1, **counts)])
    frame = counters.with_increments(known.status, "ballots_counted", "misfeeds")
    (row,) = counters.in_wrong_column(frame, known.units).rows(named=True)
    assert words in row["oddities"]
