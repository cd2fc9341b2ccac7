"""Sums behind the headline and the list."""

import math
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from dashboard import data, figures, words


def lines(*rows: tuple[str, float, float, float]) -> pl.DataFrame:
    names = ["site_id", "waiting_mean", "waiting_low", "waiting_high"]
    return pl.DataFrame(rows, schema=names, orient="row").with_columns(line=pl.lit("checkin"))


def ahead(minutes: float, *rows: tuple[str, float, float, float]) -> pl.DataFrame:
    return lines(*rows).with_columns(ahead_minutes=pl.lit(minutes))


def test_independent_lines_add_their_variances():
    # the variance of a sum of independent terms is the sum of their variances: 6 and 8 give 10
    mean, low, high = figures.waiting_total(lines(("A", 50, 44, 56), ("B", 100, 92, 108)))
    assert (mean, low, high) == (150, pytest.approx(140), pytest.approx(160))
    assert figures.waiting_total(lines().clear()) is None


def test_waiting_of_the_next_hour_is_the_area_under_the_line():
    # by hand: 30 x (10 + 20) / 2 + 30 x (20 + 0) / 2 = 750
    outlook = pl.concat([ahead(30.0, ("A", 20, 10, 30)), ahead(60.0, ("A", 0, 0, 6)), ahead(120.0, ("A", 999, 9, 9))])
    (row,) = figures.next_hour(lines(("A", 10, 4, 20)), outlook).to_dicts()
    assert row["cost"] == 750
    assert (row["cost_low"], row["cost_high"]) == (30 * 7 + 30 * 5, 30 * 25 + 30 * 18)


def test_lines_that_nobody_counted_within_the_hour_are_asked_about_the_least_known_first(copied: Path, monkeypatch):
    monkeypatch.setenv(data.ENVIRONMENT, str(copied))
    monkeypatch.setattr(figures, "WIDE", 0.0)
    soon = figures.least_known(data.current(datetime(2026, 11, 3, 16, 30, tzinfo=UTC)))  # half an hour after the counts
    assert set(soon["site_id"]) == {"P03"} and soon["counted_at"].null_count() == soon.height
    later = figures.least_known(data.current(datetime(2026, 11, 3, 17, 30, tzinfo=UTC)))
    assert set(later["site_id"]) == {"P01", "P02", "P03"}
    widths = (later["waiting_high"] - later["waiting_low"]).to_list()
    assert widths == sorted(widths, reverse=True) and widths[0] > 0


def test_a_step_that_was_only_not_reported_breaks_no_custody():
    steps = pl.DataFrame(
        {
            "milestone": ["zero-tape", "media-received", "media-received", "media-sealed", "results-tape"],
            "note": [
                "Not reported, though open has been.",
                "Not reported, though ballots-received has been.",
                "Received from another hand than it was given to.",
                None,
                "Reported before the last voter.",
            ],
        }
    )
    assert figures.custody(steps)["note"].to_list() == ["Received from another hand than it was given to."]


def test_a_chance_is_never_a_false_nought_or_certainty():
    assert [words.percent(p) for p in (None, 0.0, 0.001, 0.5, 0.999, 1.0)] == [
        "unknown",
        "0 %",
        "under 1 %",
        "50 %",
        "over 99 %",
        "100 %",
    ]


def test_a_stake_is_said_to_two_figures():
    assert [words.rough(v) for v in (None, 0.4, 7.0, 1234.0, 98_765.0)] == ["unknown", "0", "7", "1,200", "99,000"]
    assert math.isclose(float(words.rough(149.0).replace(",", "")), 150)
