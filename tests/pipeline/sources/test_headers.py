"""A title above a table's header is not taken for it (common practice, no source: people title their sheets)."""

import io

import pytest
import xlsxwriter

from pipeline.sources import tables
from pipeline.sources.headers import header_place
from pipeline.sources.profile import Profile
from pipeline.sources.proposal import propose
from pipeline.sources.proposal_text import profile_text
from pipeline.sources.reading import read_table

TITLED = 'Line counts, Larkmoor County\n\nSite;Counted;"People in line, now"\nS1;2026-11-03 09:30;12\nS2;2026-11-03 09:40;3\n'


def titled_workbook() -> bytes:
    data = io.BytesIO()
    with xlsxwriter.Workbook(data) as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["Sign-up of rovers"])
        sheet.write_row(1, 0, ["printed", "3 November"])
        sheet.write_row(3, 0, ["Rover", "Begins", "Ends", "Can fix"])
        sheet.write_row(4, 0, ["R1", "06:00", "14:00", "scanner"])
    return data.getvalue()


def test_a_title_is_left_out_and_rows_keep_the_numbers_that_a_person_sees():
    table = read_table(TITLED.encode(), "lines.csv", "csv")
    assert table.header == 3 and list(table.columns) == ["Site", "Counted", "People in line, now"]
    assert table.frame()["row"].to_list() == [4, 5] and not table.faults
    table = read_table(titled_workbook(), "rovers.xlsx", "xlsx")
    assert table.header == 4 and list(table.columns) == ["Rover", "Begins", "Ends", "Can fix"] and table.rows == [5]


def test_a_long_table_with_a_title_is_read_alike_the_quick_way(monkeypatch: pytest.MonkeyPatch):
    data = (TITLED + "".join(f"S{i};2026-11-03 10:00;{i}\n" for i in range(3000)) + "S1;short\n").encode()
    quick = read_table(data, "lines.csv", "csv")
    monkeypatch.setattr(tables, "QUICK_FROM", 1 << 40)
    careful = read_table(data, "lines.csv", "csv")
    assert quick.frame().equals(careful.frame()) and quick.faults == careful.faults
    assert quick.header == careful.header == 3 and quick.faults[0].row == 3006


@pytest.mark.parametrize(
    "rows",
    [
        [["a", "b", "c"], ["1", "2", "3"]],
        [["a", "b", "c"], ["1", "2", "x", "y", "z", "q", "r"], ["1", "2", "x", "y", "z", "q", "r"]],  # ragged, no title
        [["id"], ["1", "07:05", "Oxbow"], ["2", "07:09", "Oxbow"]],  # what stands below names no columns
        [["only"], ["one"], ["column"]],
        [[]],
    ],
)
def test_a_first_row_that_may_be_the_header_is(rows: list[list[str]]):
    assert header_place(rows) == 0


def test_a_proposal_says_that_a_title_was_left_out():
    text = profile_text(propose(TITLED.encode(), "lines-0930.csv", "line-counts"))
    assert "row 3" in text.split("kind =")[0]


def test_objects_within_an_object_are_columns_of_their_own_where_a_profile_reads_them():
    line = (
        b'{"meter":{"tag":"U1","level":{"pct":87}},"at":"2026-11-03T09:30:00Z","log":[1,2],"meter.tag":"x","none":{}}\n'
    )
    table = read_table(line, "f", "jsonl", Profile("status"))
    assert {name: values[0] for name, values in table.columns.items()} == {
        "meter.tag": "U1", "meter.level.pct": "87", "at": "2026-11-03T09:30:00Z", "log": "[1, 2]", "meter.tag_": "x", "none": "{}",
    }  # fmt: skip
    assert read_table(line, "f", "jsonl").columns["none"][0] == "{}"  # as it came, where none does
