"""Cells as people write them become the form of their column, and stay as they came where that cannot be."""

import polars as pl
import pytest

from pipeline.normalise.cells import FORMS


@pytest.mark.parametrize(
    ("form", "said", "read"),
    [
        ("clock", "7:00 AM", "07:00"),
        ("clock", "0530", "05:30"),
        ("clock", "19:30:00", "19:30"),
        ("clock", "25:10", "25:10"),
        ("words", "Scanner, Power / bmd", "scanner;power;bmd"),
        ("names", "Old Mill ; The Mill;", "Old Mill;The Mill"),
        ("counts", "2 x roller; cable (3); tape:4", "roller:2;cable:3;tape:4"),
        ("counts", "roller x2;spare keys", "roller:2;spare keys"),
        ("spans", "12:00 PM - 12:30 PM", "12:00-12:30"),
        ("spans", "11:30 to 12 PM; 4 to 4:15 pm", "11:30-12:00;16:00-16:15"),
        ("spans", "when it is quiet", "when it is quiet"),
    ],
)
def test_a_cell_is_read_as_a_person_reads_it(form: str, said: str, read: str):
    assert FORMS[form](pl.Series([said, None])).to_list() == [read, None]
