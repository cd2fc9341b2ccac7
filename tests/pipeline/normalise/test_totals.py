"""The row of totals of a sheet is told as one; a row that only looks like it is not."""

from datetime import UTC, datetime

import pytest

from pipeline.normalise.shape import Piece, shape
from pipeline.sources.reading import read_table

HEAD = "site_id,checked_in,ballots_counted\nP01,700,690\nP02,80,80\n"


@pytest.mark.parametrize(
    ("last", "good", "is_total"), [("TOTAL,780,770", 2, True), ("Total,790,770", 3, False), ("P03,780,770", 3, False)]
)
def test_a_row_of_totals_is_known_by_its_word_and_its_sums(last: str, good: int, is_total: bool):
    raw = read_table(f"{HEAD}{last}\n".encode(), "reconcile-1.csv", "csv")
    found = shape([Piece(raw, datetime(2026, 11, 4, 4, tzinfo=UTC))], "reconciliation", "America/Chicago")
    assert found.good.height == good
    assert [(f.row, "row of totals" in f.reason) for f in found.faults[0]] == ([(4, True)] if is_total else [])
