"""A workbook's first sheet is read as a person sees it."""

import io
import zipfile
from datetime import datetime, time

import polars as pl
import pytest
import xlsxwriter

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


def test_a_cell_that_makes_the_sheet_enormous_costs_its_own_file_only():
    # The last cell that xlsxwriter lets a sheet have, its documented limit.
    data = io.BytesIO()
    with xlsxwriter.Workbook(data) as made:
        sheet = made.add_worksheet()
        sheet.write_row(0, 0, ["ticket_id", "text"])
        sheet.write(1_048_575, 16_383, "x")
    with pytest.raises(SourceError, match=r"tickets-1\.xlsx: .* takes more than \d+ MiB .* A cell far below"):
        read_table(data.getvalue(), "tickets-1.xlsx", "xlsx")


def test_an_archive_that_hides_its_size_is_refused(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(spreadsheet, "ROOM", 300 << 20)
    honest = workbook(pl.DataFrame({"text": ["x"]}))
    assert read_table(honest, "tickets-1.xlsx", "xlsx").rows == [2]  # that much is enough for it
    packed, swollen = io.BytesIO(honest), io.BytesIO()
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(swollen, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, old.read(name).replace(b"</sheetData>", b" " * (400 << 20) + b"</sheetData>"))
    data = bytearray(swollen.getvalue())
    entry = data.rfind(b"PK\x01\x02", 0, data.find(b"xl/worksheets/sheet1.xml", data.find(b"PK\x01\x02")))
    data[entry + 24 : entry + 28] = (1_000).to_bytes(4, "little")  # uncompressed size: APPNOTE 6.3.10, section 4.3.12
    spreadsheet.refuse_bomb(bytes(data), "tickets-1.xlsx")  # by its own account it is small
    with pytest.raises(SourceError, match="takes more than 300 MiB"):
        read_table(bytes(data), "tickets-1.xlsx", "xlsx")


def test_a_date_is_a_date_though_the_workbook_keeps_it_as_midnight():
    frame = pl.DataFrame(
        {"Day": [datetime(2026, 11, 3), None], "When": [datetime(2026, 11, 3), datetime(2026, 11, 3, 9)]}
    )
    assert read_table(workbook(frame), "f.xlsx", "xlsx").frame().rows() == [
        (2, "2026-11-03", "2026-11-03 00:00:00"),
        (3, None, "2026-11-03 09:00:00"),
    ]
