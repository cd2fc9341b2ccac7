"""Lists that a question brings along: typed rows, and a reason for every other."""

from datetime import UTC, date, datetime

import pandera.polars as pa
import pytest
from pandera.engines.polars_engine import DateTime

from pipeline.errors import SourceError
from pipeline.normalise.listed import read_list

DAY = date(2026, 11, 3)


class Counts(pa.DataFrameModel):
    site_id: str
    at: DateTime = pa.Field(nullable=False, dtype_kwargs={"time_zone": "UTC", "time_unit": "us"})
    waiting: float
    note: str = pa.Field(nullable=True)


def listed(rows: str):
    return read_list(f"site_id,at,waiting\n{rows}".encode(), "counts.csv", Counts, "America/Chicago", DAY)


def test_numbers_and_times_are_read_as_in_a_feed_and_a_bare_clock_is_local_on_the_day():
    found = listed('P1,09:30,"1,204"\nP2,2026-11-03T09:30:00Z,12\n')
    assert not found.faults and found.frame["note"].null_count() == 2
    # 09:30 in Chicago is 15:30 UTC on 3 November, after daylight saving time ended (15 U.S.C. 260a)
    assert found.frame.select("site_id", "at", "waiting").rows() == [
        ("P1", datetime(2026, 11, 3, 15, 30, tzinfo=UTC), 1204.0),
        ("P2", datetime(2026, 11, 3, 9, 30, tzinfo=UTC), 12.0),
    ]


@pytest.mark.parametrize("text", ["-1", "nan", "inf", "many", "1_0", "2e9"])
def test_what_is_no_number_from_nought_up_is_a_fault_of_its_row_alone(text: str):
    found = listed(f"P1,09:30,{text}\nP2,09:30,4\n")
    assert [(f.row, f.column, f.value) for f in found.faults] == [(2, "waiting", text)]
    assert found.frame["site_id"].to_list() == ["P2"]


def test_a_required_value_left_out_and_a_clock_that_is_none_are_faults():
    assert [(f.row, f.reason) for f in listed("P1,25:30,4\n,09:30,4\n").faults] == [
        (2, "not a time; write it like 2026-11-03T09:30 or 09:30"),
        (3, "nothing stands here"),
    ]


def test_a_list_without_a_column_that_must_be_there_is_refused_in_a_sentence():
    with pytest.raises(SourceError, match=r'counts.csv: column "at" is not there. Found: site_id, waiting.'):
        read_list(b"site_id,waiting\nP1,4\n", "counts.csv", Counts, "UTC", DAY)


def test_rows_that_are_used_keep_their_numbers():
    assert listed("P1,x,4\nP2,09:30,4\n").frame["row"].to_list() == [3]
