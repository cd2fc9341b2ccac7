"""A spreadsheet's first sheet → rows of text; what a person sees in a cell is what is read."""

import io
import zipfile

import fastexcel

from pipeline.errors import SourceError
from pipeline.sources.tables import RawTable, unique_names

LARGEST_UNPACKED = 1 << 30  # bytes; a workbook that unpacks to more would fill the memory: our choice
CLOCK_DATE = ("1899-12-30 ", "1899-12-31 ")  # the date that a bare time of day carries in a workbook


def read_spreadsheet(data: bytes, name: str) -> RawTable:
    """The rows of the first sheet, numbered as the spreadsheet shows them.

    Raises
    ------
    SourceError : if it is no workbook, has no rows, or would unpack to more than a gibibyte.
    """
    refuse_bomb(data, name)
    try:
        workbook = fastexcel.read_excel(data)
        sheet = workbook.load_sheet(0, header_row=None, dtypes="string").to_polars()
    except fastexcel.FastExcelError as error:
        raise SourceError(
            f"{name}: not readable as a workbook ({str(error).splitlines()[0]}). Save it again."
        ) from error
    records = [[cell_text(cell) for cell in row] for row in sheet.iter_rows()]
    start = next((i for i, record in enumerate(records) if any(record)), None)
    if start is None:
        raise SourceError(f"{name}: the first sheet is empty. Put the rows on the first sheet.")
    header = unique_names([cell or "" for cell in records[start]])
    kept = [(number, record) for number, record in enumerate(records[start + 1 :], start=start + 2) if any(record)]
    columns = {column: [record[place] for _, record in kept] for place, column in enumerate(header)}
    return RawTable(columns=columns, rows=[number for number, _ in kept])


def cell_text(cell: str | None) -> str | None:
    """A cell's text; a bare time of day without the date that the workbook lends it."""
    if cell is None:
        return None
    for date in CLOCK_DATE:
        if cell.startswith(date):
            return cell.removeprefix(date)
    return cell.strip() or None


def refuse_bomb(data: bytes, name: str) -> None:
    """Refuses a packed file that is no archive, or that would unpack to far more than it seems."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            unpacked = sum(member.file_size for member in packed.infolist())
    except zipfile.BadZipFile as error:
        raise SourceError(f"{name}: not an .xlsx workbook. Save it as .xlsx or export CSV.") from error
    if unpacked > LARGEST_UNPACKED:
        raise SourceError(f"{name}: would unpack to {unpacked >> 20} MiB. Export the rows as CSV.")
