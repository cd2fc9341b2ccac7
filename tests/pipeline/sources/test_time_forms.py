"""How an export writes dates and times of day is found out from its values."""

import tomllib
from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.normalise.times import read_times
from pipeline.sources.looks import clock_of
from pipeline.sources.proposal import propose
from pipeline.sources.proposal_text import profile_text
from pipeline.sources.time_forms import DMY, MDY, day_order, time_forms


def text_of(rows: str, kind: str = "line-counts") -> str:
    return profile_text(propose(("site,time,line\n" + rows).encode(), "x.csv", kind))


@pytest.mark.parametrize(
    ("date", "patterns"),
    [
        ("11/03/2026", ["%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M"]),
        ("03.11.2026", ["%d.%m.%Y %H:%M", "%m.%d.%Y %H:%M"]),
    ],
)
def test_an_undecided_order_is_said_and_both_patterns_stand_the_likelier_first(date: str, patterns: list[str]):
    text = text_of(f"P01,{date} 09:00,4\n")
    assert tomllib.loads(text)["times"] == {"at": patterns}
    assert "No date tells" in text and "# 0.60" in text


def test_dates_of_both_orders_are_called_doubtful():
    text = text_of("P01,14/11/2026 09:00,4\nP01,11/14/2026 09:00,4\n")
    assert "dates of both orders" in text


def test_the_election_day_decides_between_two_orders():
    assert day_order([["04/03/2026 07:00"]], "2026-03-04").order == DMY
    assert day_order([["04/03/2026 07:00"]], "2026-04-03").order == MDY
    assert day_order([["04/03/2026 07:00"]], "2026-04-03").is_decided
    assert not day_order([["04/04/2026 07:00"]], "2026-04-04").is_decided


# Each is one instant in many clothes: a reading by hand, 3 November 2026 at 19:05.
@pytest.mark.parametrize(
    "value",
    [
        "2026-11-03T19:05", "2026-11-03 19:05:00", "2026/11/03 19:05", "20261103 1905", "202611031905", "20261103T190500",
        "11/3/2026 7:05 PM", "11/03/26 07:05PM", "11-03-2026 19:05", "3-Nov-2026 19:05", "03NOV26 1905", "03NOV2026:19:05:00",
        "Nov 3, 2026 at 7:05 pm", "November 3, 2026 7:05 PM", "3 November 2026 19:05", "Tue, 3 Nov 2026 19:05:00",
        "Tue Nov 3 19:05:00 2026", "7:05 PM 11/3/2026", "19:05 3 Nov 2026", "2026-11-03 19:05:00.000", "11/03/2026 - 19:05",
        "11/03/2026 19:05 CST", "3. Nov 2026 19.05", "11/03/2026 19h05", "11/03/2026 19:05 Uhr",
    ],
)  # fmt: skip
def test_the_pattern_found_reads_the_instant_that_a_person_reads(value: str):
    days = day_order([["11/13/2026"]])
    forms = time_forms([value], [1], days)
    assert forms is not None and forms.share == 1 and forms.is_local
    found = read_times(pl.Series([value]), forms.patterns, "America/Chicago")["time"].to_list()
    assert found == [datetime(2026, 11, 4, 1, 5, tzinfo=UTC)]


@pytest.mark.parametrize("value", ["11/03/2026 7:05 p.m.", "11/03/2026 7:05p", "11/03/2026 27:05", "555-0142", "P01"])
def test_what_no_pattern_reads_rightly_is_not_called_a_time(value: str):
    assert time_forms([value], [1], day_order([[value]])) is None


def test_a_two_digit_year_is_never_read_as_the_year_26():
    values = ["11/13/2026 07:05", "11/14/26 07:06"]
    forms = time_forms(values, [1, 1], day_order([values]))
    assert forms is not None
    assert read_times(pl.Series(values), forms.patterns, "UTC")["time"].dt.year().to_list() == [2026, 2026]


def test_times_in_utc_set_the_zone_of_the_profile():
    assert tomllib.loads(text_of("P01,2026/11/03 15:00 UTC,4\n"))["zone"] == "UTC"


def test_dates_and_times_in_two_columns_are_one():
    found = propose(b"site,date,time,line\nP01,11/03/2026,09:00,4\n", "x.csv", "line-counts")
    assert tomllib.loads(profile_text(found))["columns"]["at"] == "date + time"
    assert not found.missing and not found.spare


def test_of_two_clocks_that_say_nothing_a_person_chooses():
    data = b"site,day,q1,q2,line\nP01,11/03/2026,09:00,09:10,4\nP02,11/03/2026,09:05,09:10,4\n"
    found = propose(data, "x.csv", "line-counts")
    assert [ours.name for ours, _ in found.missing] == ["at"]
    assert 'write at = "day + q1" if' in profile_text(found)


@pytest.mark.parametrize(
    ("text", "clock"),
    [("7 AM", "07:00"), ("12:15 a.m.", "00:15"), ("12 PM", "12:00"), ("0700", "07:00"), ("19:30:00", "19:30"), ("7:00", "07:00"),
     ("25:00", None), ("13 PM", None), ("noon", None)],
)  # fmt: skip
def test_times_of_day_are_read_as_a_person_reads_them(text: str, clock: str | None):
    assert clock_of(text) == clock
