"""A process of its own that reads a workbook: bytes on standard input → its first sheet as Arrow on standard output.

A small workbook may ask for any amount of memory: a cell in the last row and column makes the library hold all cells
between. The limit set here ends this process then, and nothing else. It is one of what is written to, not of addresses:
of these a machine with many processors sets much aside that is never used.
"""

import io
import resource
import sys

import fastexcel

UNREADABLE = 3  # exit status: the library says why on standard error


def main(room: int) -> int:
    """Reads one workbook within so many bytes of memory; the exit status says whether that went well."""
    resource.setrlimit(resource.RLIMIT_DATA, (room, room))
    try:
        workbook = fastexcel.read_excel(sys.stdin.buffer.read())
        sheet = workbook.load_sheet(0, header_row=None, dtypes="string").to_polars()
    except fastexcel.FastExcelError as error:
        print(str(error).splitlines()[0], file=sys.stderr)
        return UNREADABLE
    written = io.BytesIO()
    sheet.write_ipc(written)
    sys.stdout.buffer.write(written.getbuffer())
    return 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
