"""A workbook's first sheet is read as a person sees it."""

import io
import zipfile
from datetime import datetime, time

import polars as pl
import pytest

from pipeline.errors import SourceError
from pipeline.sources import form_of, source_of, spreadsheet
from pipeline.sources.reading import read_table


def workbook(frame: pl.DataFrame) -> bytes:
    data = io.BytesIO()
    frame.write_excel(data)
    return data.getvalue()


def test_cells_become_text_and_rows_keep_their_numbers():
    frame = pl.DataFrame(
        {
            "Case": [7, 8],
            "Logged": [datetime(2026, 11, 3, 9, 30)] * 2,
            "Opens": [time(7, 0)] * 2,
            "Note": ["=1+1", None],
        }
    )
    assert read_table(workbook(frame), "f.xlsx", "xlsx").frame().rows() == [
        (2, "7", "2026-11-03 09:30:00", "07:00:00", "=1+1"),
        (3, "8", "2026-11-03 09:30:00", "07:00:00", None),
    ]


def test_a_workbook_goes_by_the_same_names():
    assert source_of("Tickets-0930.xlsx").kind == "tickets" and form_of("tickets-0930.xlsx", "tickets") == "xlsx"


def test_what_is_no_workbook_is_refused():
    with pytest.raises(SourceError, match=r"not an \.xlsx workbook"):
        read_table(b"ticket_id,text\n", "tickets-1.xlsx", "xlsx")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.txt", "x")
    with pytest.raises(SourceError, match="not readable as a workbook"):
        read_table(packed.getvalue(), "tickets-1.xlsx", "xlsx")


def test_an_archive_that_unpacks_to_more_than_it_should_is_refused(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(spreadsheet, "LARGEST_UNPACKED", 10_000)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", "0" * 1_000_000)
    assert len(packed.getvalue()) < 10_000
    with pytest.raises(SourceError, match="would unpack to"):
        read_table(packed.getvalue(), "tickets-1.xlsx", "xlsx")
