"""A spreadsheet's first sheet → rows of text; what a person sees in a cell is what is read."""

import io
import os
import re
import subprocess
import sys
import zipfile

import polars as pl

from pipeline.errors import SourceError
from pipeline.sources import workbook
from pipeline.sources.headers import header_place
from pipeline.sources.tables import SAMPLE, RawTable, unique_names

LARGEST_UNPACKED = 1 << 30  # bytes; a workbook that unpacks to more would fill the memory: our choice
ROOM = 3 << 29  # bytes for reading one, whatever its archive says of its size: our choice
ONE_THREAD = {"POLARS_MAX_THREADS": "1"}  # each thread's own room would count
MIDNIGHT = re.compile(r"(?<=^\d{4}-\d\d-\d\d) 00:00:00(?:\.0+)?$")
CLOCK_DATE = ("1899-12-30 ", "1899-12-31 ")  # the date that a bare time of day carries in a workbook


def read_spreadsheet(data: bytes, name: str) -> RawTable:
    """The rows of the first sheet, numbered as the spreadsheet shows them.

    Raises
    ------
    SourceError : if it is no workbook, has no rows, or takes more memory than it may.
    """
    refuse_bomb(data, name)
    sheet = first_sheet(data, name)
    records = [[cell_text(cell) for cell in row] for row in sheet.iter_rows()]
    start = next((i for i, record in enumerate(records) if any(record)), None)
    if start is None:
        raise SourceError(f"{name}: the first sheet is empty. Put the rows on the first sheet.")
    start += header_place(records[start : start + SAMPLE])
    header = unique_names([cell or "" for cell in records[start]])
    kept = [(number, record) for number, record in enumerate(records[start + 1 :], start=start + 2) if any(record)]
    columns = {column: without_midnight([record[place] for _, record in kept]) for place, column in enumerate(header)}
    return RawTable(columns=columns, rows=[number for number, _ in kept], header=start + 1)


def first_sheet(data: bytes, name: str) -> pl.DataFrame:
    """The cells of the first sheet as text, read by a process of its own with bounded memory."""
    command = [sys.executable, "-P", workbook.__file__, str(ROOM)]  # by its path: our packages need not be loaded
    done = subprocess.run(command, input=data, capture_output=True, check=False, env=os.environ | ONE_THREAD)
    if done.returncode == workbook.UNREADABLE:
        raise SourceError(f"{name}: not readable as a workbook ({done.stderr.decode().strip()}). Save it again.")
    if done.returncode:
        raise SourceError(
            f"{name}: reading it takes more than {ROOM >> 20} MiB of memory. A cell far below or to the right of the "
            "others may be why: export the rows as CSV."
        )
    return pl.read_ipc(done.stdout)


def cell_text(cell: str | None) -> str | None:
    """A cell's text; a bare time of day without the date that the workbook lends it."""
    if cell is None:
        return None
    for date in CLOCK_DATE:
        if cell.startswith(date):
            return cell.removeprefix(date)
    return cell.strip() or None


def without_midnight(cells: list[str | None]) -> list[str | None]:
    """Dates without the midnight that the workbook lends them, where all times of a column are that."""
    if all(cell is None or MIDNIGHT.search(cell) for cell in cells):
        return [cell and MIDNIGHT.sub("", cell) for cell in cells]
    return cells


def refuse_bomb(data: bytes, name: str) -> None:
    """Refuses a packed file that is no archive, or that would unpack to far more than it seems."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            unpacked = sum(member.file_size for member in packed.infolist())
    except zipfile.BadZipFile as error:
        raise SourceError(f"{name}: not an .xlsx workbook. Save it as .xlsx or export CSV.") from error
    if unpacked > LARGEST_UNPACKED:
        raise SourceError(f"{name}: would unpack to {unpacked >> 20} MiB. Export the rows as CSV.")
