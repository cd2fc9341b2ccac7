"""A file's bytes become rows, whatever they hold; nothing is lost on the way."""

import pytest

from pipeline.errors import SourceError
from pipeline.sources.reading import decode, read_table
from pipeline.sources.tables import LONGEST_ROW, find_delimiter


def rows_of(data: bytes, form: str = "csv") -> tuple[list[tuple[object, ...]], list[tuple[int, str]]]:
    table = read_table(data, "file", form)
    return table.frame().rows(), [(fault.row, fault.reason) for fault in table.faults]


def test_rows_are_numbered_as_a_spreadsheet_shows_them():
    assert rows_of(b"a,b\n1,2\n3,4\n")[0] == [(2, "1", "2"), (3, "3", "4")]


def test_an_embedded_newline_and_quote_stay_in_their_field():
    rows, faults = rows_of(b'a,b\n1,"two ""words""\non two lines"\n3,4\n')
    assert rows == [(2, "1", 'two "words"\non two lines'), (3, "3", "4")] and not faults


def test_a_quote_that_is_never_closed_costs_its_own_row_only():
    rows, faults = rows_of(b'a,b,c\n1,"open,x\n2,3,4\n5,6,7\n')
    assert [row[0] for row in rows] == [3, 4] and faults == [
        (2, "2 fields where the header has 3; quote fields that hold ','")
    ]


def test_a_ragged_row_is_a_fault_and_the_rest_goes_on():
    rows, faults = rows_of(b"a,b\n1\n2,3\n4,5,6\n")
    assert rows == [(3, "2", "3")] and faults == [
        (2, "1 fields where the header has 2; quote fields that hold ','"),
        (4, "3 fields where the header has 2; quote fields that hold ','"),
    ]


def test_a_nul_byte_is_a_fault_of_its_row():
    assert rows_of(b"a,b\n1,2\n3,\x004\n") == ([(2, "1", "2")], [(3, "the row holds a NUL byte; export it again")])


def test_a_row_of_more_than_a_megabyte_is_a_fault():
    rows, faults = rows_of(b"a,b\n1," + b"x" * LONGEST_ROW + b"\n2,3\n")
    assert rows == [(3, "2", "3")] and faults == [(2, "the row is longer than 1048576 characters")]


def test_a_long_field_beside_which_nothing_else_stands_does_not_stop_the_file():
    rows, faults = rows_of(b"a,b\n" + b"x" * 200_000 + b",1\n2,3\n")
    assert [row[2] for row in rows] == ["1", "3"] and not faults


def test_blank_rows_are_no_rows():
    assert rows_of(b"a,b\n\n1,2\n,\n") == ([(3, "1", "2")], [])


def test_doubled_and_empty_headers_are_kept_apart():
    assert read_table(b"a,a,\n1,2,3\n", "file", "csv").frame().columns == ["row", "a", "a_2", "column_3"]


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_the_delimiter_is_found_out(mark: str):
    assert find_delimiter([f"a{mark}b{mark}c", f'1{mark}"x, y"{mark}3']) == mark


def test_encodings_are_found_out_line_by_line():
    assert decode("é".encode("utf-8-sig")) == "é"
    assert decode("é".encode("utf-16")) == "é"
    assert decode("é\n".encode() + "é\n".encode("cp1252")) == "é\né\n"


def test_json_lines_keep_the_good_and_name_the_bad():
    data = b'{"a":1}\n{"a":\n\n[1]\n{"a":"\x00"}\n{"a":1.5,"b":{"c":[1]}}\n'
    table = read_table(data, "f.jsonl", "jsonl")
    assert table.frame().rows() == [(1, "1", None), (6, "1.5", '{"c": [1]}')]
    assert [(f.row, f.reason.split(" (")[0]) for f in table.faults] == [
        (2, "not a whole JSON object"),
        (4, "a JSON value, but not an object; write one object a line"),
        (5, "the line holds a NUL byte; export it again"),
    ]


def test_a_lone_surrogate_in_json_does_not_stop_the_file():
    assert read_table(b'{"a":"\\ud800x"}\n', "f.jsonl", "jsonl").frame().rows() == [(1, "?x")]


def test_notes_are_lines_without_the_blank_ones():
    assert read_table(b"one\n\n two \n", "f.txt", "lines").frame().rows() == [(1, "one"), (3, "two")]


@pytest.mark.parametrize("data", [b"", b"  \n\n", b"\x00\x00"])
def test_an_empty_file_is_refused_in_a_sentence(data: bytes):
    with pytest.raises(SourceError, match=r"x\.csv: the file is empty"):
        read_table(data, "x.csv", "csv")


def test_county_toml_is_one_row_with_overrides_as_json():
    data = b'name = "Q"\nzone = "UTC"\nelection_day = 2026-11-03\n[depot]\nlatitude = 41.0\nlongitude = -93.0\n[milestones.open]\ndue = "opens+5"\n[lines]\nx = 2\n'
    table = read_table(data, "county.toml", "toml")
    assert table.columns["election_day"] == ["2026-11-03"] and table.columns["depot_latitude"] == ["41.0"]
    assert table.columns["milestones"] == ['{"open": {"due": "opens+5"}}'] and table.columns["assumptions"] == [
        '{"lines": {"x": 2}}'
    ]


@pytest.mark.parametrize("name", ["*", "^$", "^.*$"])
def test_a_name_that_polars_takes_for_several_is_one_column(name: str):
    forms = {"csv": f"a,{name}\n1,2\n", "jsonl": f'{{"a": "1", "{name}": "2"}}\n'}
    for form, text in forms.items():
        table = read_table(text.encode(), "file", form)
        assert table.frame().rows(named=True) == [{"row": table.rows[0], "a": "1", f"their_{name}": "2"}]
