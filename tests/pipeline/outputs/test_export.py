import json
from datetime import UTC, date, datetime

import polars as pl
import pytest

from pipeline.outputs.export import stamped, to_csv, to_json, to_parquet

AT = datetime(2026, 11, 3, 15, 30, tzinfo=UTC)


@pytest.fixture
def frame() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "unit_id": [101, 102],
            "ticket_ids": [["K1", "K2"], []],
            "leave_at": [datetime(2026, 11, 3, 15, 31, 7, tzinfo=UTC), None],
            "chance": [0.25, float("nan")],
            "most": [float("inf"), 2.0],
            "why": ["Zählwerk, “stopped”", "=1+1"],
        },
        schema_overrides={"leave_at": pl.Datetime("us", "UTC")},
    )


def test_json_is_an_array_of_objects_with_text_ids_and_arrays(frame):
    rows = json.loads(to_json(frame))
    assert [row["unit_id"] for row in rows] == ["101", "102"]
    assert [row["ticket_ids"] for row in rows] == [["K1", "K2"], []]
    assert rows[0]["why"] == "Zählwerk, “stopped”"


def test_json_has_null_where_a_number_is_none(frame):
    text = to_json(frame)
    # RFC 8259 section 6: numeric values such as Infinity and NaN are not permitted
    assert "NaN" not in text and "Infinity" not in text
    assert json.loads(text)[1]["chance"] is None and json.loads(text)[0]["most"] is None


def test_json_has_null_for_a_number_that_is_none_inside_a_list():
    assert json.loads(to_json(pl.DataFrame({"x": [[1.0, float("nan")]]}))) == [{"x": [1.0, None]}]


def test_times_carry_an_offset_of_the_zone_asked_for(frame):
    # RFC 3339 section 5.6: time-offset = "Z" / time-numoffset; Chicago is at -06:00 in November (IANA tz database)
    assert json.loads(to_json(frame))[0]["leave_at"] == "2026-11-03T15:31:07+00:00"
    assert json.loads(to_json(frame, zone="America/Chicago"))[0]["leave_at"] == "2026-11-03T09:31:07-06:00"
    assert json.loads(to_json(frame))[1]["leave_at"] is None


def test_parts_of_a_second_are_kept():
    frame = pl.DataFrame({"t": [datetime(2026, 11, 3, 1, 2, 3, 250_000, tzinfo=UTC)]})
    assert datetime.fromisoformat(json.loads(to_json(frame))[0]["t"]) == frame["t"][0]


def test_every_row_carries_the_time_it_answers_for(frame):
    row = json.loads(to_json(frame, AT))[1]
    assert row["at"] == row["as_of"] == "2026-11-03T15:30:00+00:00"


def test_a_table_with_its_own_at_keeps_it():
    ahead = datetime(2026, 11, 3, 17, 30, tzinfo=UTC)
    row = stamped(pl.DataFrame({"at": [ahead]}), AT).to_dicts()[0]
    assert row == {"at": ahead, "as_of": AT}


def test_an_empty_frame_is_an_empty_array(frame):
    assert to_json(frame.clear(), AT) == "[]"
    assert to_csv(frame.clear(), AT).count("\n") == 1


def test_dates_are_written():
    assert json.loads(to_json(pl.DataFrame({"d": [date(2026, 11, 3)]}))) == [{"d": "2026-11-03"}]


def test_csv_joins_lists(frame):
    back = pl.read_csv(to_csv(frame).encode())
    assert back["ticket_ids"].to_list() == ["K1;K2", ""]


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_csv_takes_the_sting_out_of_a_formula(start):
    # OWASP, "CSV Injection": the six characters that begin a formula (from memory)
    cell = start + "1+1"
    back = pl.read_csv(to_csv(pl.DataFrame({"why": [cell], "n": [-1.5]})).encode(), infer_schema=False)
    assert back["why"][0] == "'" + cell
    assert back["n"][0] == "-1.5", "a negative number is no formula"


def test_csv_takes_the_sting_out_of_a_list(frame):
    assert "'=x;y" in to_csv(pl.DataFrame({"parts": [["=x", "y"]]}))


def test_parquet_keeps_the_types(frame, tmp_path):
    to_parquet(frame, tmp_path / "x.parquet", AT)
    back = pl.read_parquet(tmp_path / "x.parquet")
    assert back.schema["ticket_ids"] == pl.List(pl.String)
    assert back.schema["leave_at"] == pl.Datetime("us", "UTC")
    assert back["as_of"].to_list() == [AT, AT]
