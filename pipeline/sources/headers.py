"""Where a table's header stands: a title above it, as people write into spreadsheets, is none."""

import re
from collections.abc import Sequence

Cells = Sequence[str | None]

TITLE_CELLS = 2  # a row of a title fills no more of a table's columns [count]; our choice
VALUE = re.compile(r"\d")  # a cell of which half or more are digits is a value, no column's name


def header_place(rows: Sequence[Cells]) -> int:
    """The place of the header among a table's first rows, blank ones and all; 0 unless a title stands above it.

    A title fills one or two cells where most rows fill at least twice as many. The header is the first row that fills
    more than half as many, if it names columns: each cell once, and none a number or a time.
    """
    filled = [sum(bool(cell and cell.strip()) for cell in row) for row in rows]
    usual = sorted(n for n in filled if n)
    if not usual:
        return 0
    half = usual[len(usual) // 2] / 2
    place = next(i for i, n in enumerate(filled) if n > half)
    is_title = all(n <= TITLE_CELLS for n in filled[:place])
    return place if is_title and names_columns(rows[place]) else 0


def names_columns(row: Cells) -> bool:
    """Whether the cells of a row may be names of columns."""
    names = [cell.strip() for cell in row if cell and cell.strip()]
    return len(set(names)) == len(names) and not any(2 * len(VALUE.findall(name)) >= len(name) for name in names)
