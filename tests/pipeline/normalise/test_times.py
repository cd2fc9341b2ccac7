"""Times as people write them become the right moment, or none."""

from datetime import UTC, date, datetime

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.contracts.moments import local_time, parse_time, rfc3339
from pipeline.normalise.times import WITH_OFFSET, read_pattern, read_times, written_times

CHICAGO = "America/Chicago"


def read(texts: list[str | None], patterns: tuple[str, ...] = (), zone: str | None = CHICAGO) -> list[datetime | None]:
    return read_times(pl.Series(texts, dtype=pl.String), patterns, zone)["time"].to_list()


def test_rfc_3339_examples_are_read():
    # RFC 3339 section 5.8
    assert read(["1985-04-12T23:20:50.52Z", "1996-12-19T16:39:57-08:00"]) == [
        datetime(1985, 4, 12, 23, 20, 50, 520000, UTC),
        datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC),
    ]


def test_local_times_are_read_in_the_zone():
    assert read(["2026-11-03T09:30:00", "2026-11-03 09:30"]) == [datetime(2026, 11, 3, 15, 30, tzinfo=UTC)] * 2


def test_without_a_zone_a_local_time_waits():
    frame = read_times(pl.Series(["2026-11-03T09:30:00", "2026-11-03T09:30:00Z"]))
    assert frame["time"].to_list() == [None, datetime(2026, 11, 3, 9, 30, tzinfo=UTC)]
    assert frame["needs_zone"].to_list() == [True, False]


def test_patterns_and_epochs_are_tried_in_order():
    texts = ["11/03/2026 06:16:32 AM", "3.11.2026 06:16", "1793686592"]
    patterns = ("%m/%d/%Y %I:%M:%S %p", "%d.%m.%Y %H:%M", "epoch-seconds")
    assert read(texts, patterns) == [
        datetime(2026, 11, 3, 12, 16, 32, tzinfo=UTC),
        datetime(2026, 11, 3, 12, 16, tzinfo=UTC),
        datetime(2026, 11, 3, 6, 16, 32, tzinfo=UTC),
    ]
    assert read(["1793686592500"], ("epoch-milliseconds",)) == [datetime(2026, 11, 3, 6, 16, 32, 500000, UTC)]


def test_the_hour_that_occurs_twice_is_settled_by_the_order_of_the_file():
    # US clocks go back at 02:00 on 1 November 2026 (15 U.S.C. 260a); tz database
    texts = [
        "2026-11-01T00:50:00",
        "2026-11-01T01:20:00",
        "2026-11-01T01:50:00",
        "2026-11-01T01:10:00",
        "2026-11-01T02:05:00",
    ]
    frame = read_times(pl.Series(texts), (), CHICAGO)
    assert [t.strftime("%H:%M") for t in frame["time"]] == ["05:50", "06:20", "06:50", "07:10", "08:05"]
    assert frame["is_ambiguous"].to_list() == [False, True, True, True, False]


def test_a_time_in_the_skipped_hour_is_no_time():
    assert read(["2026-03-08T02:30:00"]) == [None]


def test_what_is_no_time_is_none():
    assert read(["7:61 PM", "tomorrow", "", None]) == [None] * 4


def test_a_closing_after_midnight_is_the_next_days():
    opening = local_time(date(2026, 11, 3), "07:00", CHICAGO)
    assert local_time(date(2026, 11, 3), "01:00", CHICAGO, after=opening) == datetime(2026, 11, 4, 7, tzinfo=UTC)


def test_moments_are_written_with_an_offset():
    moment = datetime(2026, 11, 3, 15, 30, tzinfo=UTC)
    assert rfc3339(moment) == "2026-11-03T15:30:00Z" and rfc3339(moment, CHICAGO) == "2026-11-03T09:30:00-06:00"
    assert parse_time(rfc3339(moment)) == moment


def test_a_local_time_on_the_command_line_needs_a_zone():
    with pytest.raises(ValueError, match="no zone is known"):
        parse_time("2026-11-03T09:30:00")


@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ("11/3/2026 7:05 PM", "%m/%d/%Y %I:%M %p"),
        ("11/03/2026 7:05 p.m.", "%m/%d/%Y %I:%M %p"),
        ("Tue 11/03/26 7:05:00 pm", "%a %m/%d/%y %I:%M:%S %p"),
        ("Nov 3, 2026 19:05", "%b %d, %Y %H:%M"),
        ("03-Nov-26 19.05", "%d-%b-%y %H.%M"),
        ("2026-11-03 19:05:00.250", "%Y-%m-%d %H:%M:%S.%f"),
        ("20261104T010500Z", "%Y%m%dT%H%M%SZ"),
        ("2026-11-04T01:05:00+0000", "%Y-%m-%dT%H:%M:%S%z"),
    ],
)
def test_the_patterns_of_strptime_are_read(text: str, pattern: str):
    (found,) = read([text], (pattern,))
    assert found is not None and found.replace(microsecond=0) == datetime(2026, 11, 4, 1, 5, tzinfo=UTC)


WRITTEN = st.builds(
    "".join,
    st.tuples(
        st.sampled_from(["2026-11-03", "2024-02-29", "2026-02-29", "0001-01-01", "9999-12-31", "26-11-03", ""]),
        st.sampled_from(["T", "t", " ", ""]),
        st.sampled_from(["00:00:00", "23:59:60", "24:00:00", "9:30:00", "09:30", "09:30:00.5", "09:30:00 ", "09:30:00.", ""]),
        st.sampled_from(["+00:00", "-06:00", "+14:00", "-00:30", "+25:00", "+05:75", "+0500", "+05", " +05:00", "+05 00", "Z", ""]),
    ),
)  # fmt: skip


@pytest.mark.parametrize(
    ("pattern", "fits"),
    [
        (WITH_OFFSET[0], "2026-11-03T09:30:00+01:00"),
        (WITH_OFFSET[1], "2026-11-03T09:30:00.25+01:00"),
        (WITH_OFFSET[2], "2026-11-03T09:30+01:00"),
        ("%d.%m.%Y %H:%M %:z", "03.11.2026 09:30 +01:00"),
    ],
)
@given(texts=st.lists(st.none() | WRITTEN, max_size=8))
def test_a_time_and_its_offset_read_apart_are_what_polars_reads_of_the_whole(pattern, fits, texts):
    column = pl.Series([fits, *texts])  # the first decides whether they are read apart
    whole = column.str.to_datetime(pattern, time_unit="us", strict=False).dt.convert_time_zone("UTC")
    found = read_pattern(column, pattern).cast(pl.Int64)  # years past Python's last are no more than a number
    assert found.is_not_null()[0]
    assert found.to_list() == whole.cast(pl.Int64).to_list()


MOMENTS = st.datetimes(datetime(1, 1, 2), datetime(9999, 12, 30)) | st.datetimes(
    datetime(2026, 11, 1), datetime(2026, 11, 5)
)


@given(st.lists(MOMENTS | st.none(), max_size=6), st.booleans())
def test_times_are_written_as_polars_writes_them_one_by_one(moments: list[datetime | None], is_whole: bool):
    texts = [moment and (moment.replace(microsecond=0) if is_whole else moment) for moment in moments]
    times = pl.Series("at", texts, dtype=pl.Datetime("us")).dt.replace_time_zone("UTC")
    assert written_times(times).equals(times.dt.strftime("%Y-%m-%dT%H:%M:%S%.fZ"), check_names=True)
