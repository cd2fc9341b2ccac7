"""Large files are read by polars, and to the same rows as by the careful readers: both ways held against each other."""

import csv
import io
import json
from codecs import BOM_UTF8

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.sources import tables
from pipeline.sources.quick import json_frame
from pipeline.sources.reading import read_table
from pipeline.sources.tables import LONGEST_ROW, QUICK_FROM

PIECES = [
    *'ab ,;"\n\r\\:{}[]é—\x1c\u2028\t', "null", '":', '\\"a": null',
    "007", "1e3", "1.0", "-0", "NaN", "true", "2026-11-03",
]  # fmt: skip
TEXT = st.lists(st.sampled_from(PIECES), max_size=8).map("".join)
VALUE = st.one_of(
    st.none(), st.booleans(), st.integers(-3, 10**16), st.floats(-9, 9), st.just(10.0), TEXT, st.lists(TEXT, max_size=1)
)
FLAT = st.fixed_dictionaries(  # rows that go the quick way unless their text is odd
    {"a": st.none() | st.integers(-(2**63), 2**63 - 1), "b": st.none() | TEXT, "f": st.none() | st.floats(-9, 9)}
)
HEADERS = [["one", "two", "three"], ["one", "one", "one"], ["", "two", ""], ["row", "two", "row"], [" a ", '"b', "1"]]
FILL = QUICK_FROM  # bytes of plain rows that make a file large enough
both_ways = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def both(data: bytes, form: str) -> tuple[tables.RawTable, tables.RawTable]:
    """The table as a large file is read, and by the careful reader alone."""
    quick = read_table(data, "file", form)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tables, "QUICK_FROM", len(data) + 1)
        return quick, read_table(data, "file", form)


def assert_same(data: bytes, form: str) -> None:
    quick, careful = both(data, form)
    assert quick.frame().equals(careful.frame()) and quick.faults == careful.faults


@both_ways
@given(
    st.lists(st.dictionaries(st.sampled_from(["a", "b", 'c"', "d:", "ä"]), VALUE, max_size=4), max_size=6),
    st.sampled_from([(",", ":"), (", ", ": "), (",", " :"), (",", ":  ")]),
    st.booleans(),
)
def test_json_lines_are_the_same_rows_either_way(records, separators, ascii_only: bool):
    plain = json.dumps({"a": 1, "b": "x"}, separators=separators) + "\n"
    lines = [json.dumps(r, separators=separators, ensure_ascii=ascii_only) + "\n" for r in records]
    assert_same((plain * (FILL // len(plain) + 1) + "".join(lines)).encode("utf-8"), "jsonl")


@both_ways
@given(st.lists(FLAT, max_size=6), st.booleans(), st.booleans())
def test_flat_json_lines_are_the_same_rows_either_way(records, has_mark: bool, windows: bool):
    plain = json.dumps({"a": 1, "b": "x", "f": 1.5}) + "\n"
    lines = plain * (FILL // len(plain) + 1) + "".join(json.dumps(r, ensure_ascii=False) + "\n" for r in records)
    assert_same(BOM_UTF8 * has_mark + (lines.replace("\n", "\r\n") if windows else lines).encode(), "jsonl")


@both_ways
@given(
    st.lists(st.lists(TEXT, min_size=1, max_size=5) | st.lists(TEXT, min_size=3, max_size=3), max_size=8),
    st.sampled_from(HEADERS),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from([None, csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    st.booleans(),
    st.booleans(),
)
def test_tables_are_the_same_rows_either_way(records, names, mark: str, quoted, has_mark: bool, windows: bool):
    out, head = io.StringIO(), io.StringIO()
    csv.writer(head, delimiter=mark, lineterminator="\n").writerow(names)
    if quoted is not None:
        csv.writer(out, delimiter=mark, quoting=quoted, lineterminator="\n").writerows(records)
    else:
        out.write("".join(mark.join(record) + "\n" for record in records))
    filler = mark.join(["left", '"mid ""dle"""', "right"]) + "\n"
    text = head.getvalue() + out.getvalue() + filler * (FILL // len(filler) + 1) + out.getvalue()
    assert_same(BOM_UTF8 * has_mark + (text.replace("\n", "\r\n") if windows else text).encode(), "csv")


@pytest.mark.parametrize(
    "odd",
    [
        '1,"open,x\n', "1\n", "1,2,3,4\n", "\n", ",,\n", " , ,\x1c\n", '1,"two\nlines",3\n', "1,\x002,3\n", 'a"b,c,d\n',
        ' "a",b,c\n', '"a"b,c,d\n', "1," + "x" * (LONGEST_ROW + 1) + ",3\n", '"1\n2\n\n3",x,y\n', "é,—,\u2028\n",
    ],
    ids=repr,
)  # fmt: skip
@pytest.mark.parametrize("place", [0, 700, 1500])
def test_an_odd_row_of_a_large_table_is_the_same_either_way(odd: str, place: int):
    rows = [f"k{i},words {i},{i}\n" for i in range(1500)]
    rows.insert(place, odd)
    assert_same(("a,b,c\n" + "".join(rows)).encode(), "csv")


@pytest.mark.parametrize(
    "odd",
    [
        '{"a":1,"b":"x","c":2}', '{"a":1}', '{"b":null,"a":2}', '{"a":1.5,"b":"x"}', '{"a":"1","b":"x"}', '{"a":1,"b":2}', '{"a":1,"b":true}',
        '{"a":1,"b":[1,2]}', '{"a":1,"b":{"a":1}}', '{"a":1,"a":2,"b":"x"}', '{"a":1,"b":"\\ud800"}', '{"a":1,"b":"\\u00e9\\"a\\":null"}',
        '{"a":1,"b":', "", "[1]", '{"a":99999999999999999999,"b":"x"}', '{"a":1,"b":"' + "x" * (LONGEST_ROW + 1) + '"}', '{"a":1e3,"b":"x"}',
    ],
    ids=lambda odd: odd[:30],
)  # fmt: skip
def test_an_odd_line_of_a_large_file_is_the_same_either_way(odd: str):
    lines = [json.dumps({"a": i, "b": f"words {i}"}) for i in range(1500)]
    lines.insert(1200, odd)
    assert_same(("\n".join(lines) + "\n").encode(), "jsonl")


@pytest.mark.parametrize("form", ["csv", "jsonl"])
def test_ordinary_large_files_are_read_the_quick_way(form: str, monkeypatch):
    def refuse(*_: object) -> None:
        raise AssertionError("read row by row")

    monkeypatch.setattr(tables, "csv_records", refuse)
    monkeypatch.setattr(tables, "json_object", refuse)
    if form == "csv":
        data = "a,b,c\n" + "".join(f'{i},"said ""{i}""",\n' for i in range(3000)) + '1,"two\nlines",3\n'
        assert read_table(data.encode(), "f", "csv").rows[-1] == 3002
    else:
        lines = [json.dumps({"a": i, "b": None if i % 3 else "é", "c": i / 4}) for i in range(3000)]
        assert read_table("\n".join(lines).encode(), "f", "jsonl").rows[-1] == 3000


def test_a_key_that_comes_late_is_not_lost():
    lines = ['{"a":1,"b":"x"}'] * 3000 + ['{"a":1,"b":"x","late":"7"}']
    assert json_frame("\n".join(lines).encode()) is None
    assert read_table("\n".join(lines).encode(), "f", "jsonl").columns["late"][-1] == "7"


def test_a_column_called_row_is_kept_beside_the_row_numbers():
    assert read_table(b"row,a\n7,x\n", "f", "csv").frame().to_dicts() == [{"row": 2, "a": "x", "their_row": "7"}]
    both = read_table(b"row,their_row\n7,x\n", "f", "csv").frame().to_dicts()
    assert both == [{"row": 2, "their_row": "x", "their_row_": "7"}]


def test_a_large_table_with_a_column_called_row_is_the_same_either_way():
    rows = [f"{i},words {i}\n" for i in range(3000)] + ['7,"two\nlines"\n']
    assert_same(("row,a\n" + "".join(rows)).encode(), "csv")
