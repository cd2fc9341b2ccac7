"""The row of totals that a spreadsheet ends in, known by its word and its sums."""

import polars as pl

from pipeline.contracts.feeds import schema_of
from pipeline.sources.numbers import read_numbers
from pipeline.sources.tables import Fault

LAST = 3  # rows at the end that are looked at [count]
WORD = r"(?i)^\s*(grand |sub|county |overall )?(totals?|sums?)\s*:?\s*$"
REASON = "a row of totals: its numbers are the sums of the rows above, nothing needs to be done"


def totals_faults(frame: pl.DataFrame, kind: str) -> list[Fault]:
    """A fault for each row at a table's end that says it is the total, and whose numbers are sums of those above."""
    names = [name for name in frame.columns if name != "row"]
    start = max(0, frame.height - LAST)
    end = frame.slice(start)
    said = {name: end[name].str.contains(WORD).fill_null(False) for name in names}
    found = []
    for place in range(end.height):
        column = next((name for name in names if said[name][place]), None)
        if column is not None and holds_sums(frame, kind, start + place):
            found.append(Fault(end["row"][place], column, end[column][place], REASON))
    return found


def holds_sums(frame: pl.DataFrame, kind: str, place: int) -> bool:
    """Whether a row's numbers are the sums of the rows above it, in every column of counts that it fills."""
    counts = [n for n, c in schema_of(kind).columns.items() if c.dtype.type == pl.Int64 and n in frame.columns]
    checked = 0
    for name in counts:
        numbers = read_numbers(frame[name].head(place + 1))
        if numbers[place] is not None and place >= 2:
            checked += 1
            if abs(numbers[place] - (numbers.head(place).sum() or 0)) > 0.5:  # a whole number apart
                return False
    return checked > 0
