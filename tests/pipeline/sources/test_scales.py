"""Amounts that say their own unit are read in ours (SP 330, table 8: 1 h = 60 min)."""

import polars as pl

from pipeline.sources.numbers import read_numbers
from pipeline.sources.profile import AS_WRITTEN
from pipeline.sources.scales import as_written, scaled


def test_hours_and_minutes_are_read_as_minutes():
    texts = pl.Series(["4:00", "3 hrs", "2.5 h", "90 min", "240", "1,200 minutes", "soon", None])
    assert as_written(texts, "battery_minutes").to_list() == [240, 180, 150, 90, 240, 1200, None, None]


def test_a_unit_that_the_column_cannot_have_is_not_read():
    assert as_written(pl.Series(["3 hrs", "18 months", "4 years"]), "battery_age_years").round(6).to_list() == [
        None,
        1.5,
        4,
    ]


def test_numbers_that_are_numbers_are_read_by_the_header_alone():
    numbers, times = scaled("Run time (hours)", pl.Series(["4", "3", "4"]), "units", "battery_minutes")
    assert numbers.to_list() == [240, 180, 240] and times == 60
    numbers, times = scaled("Run time", pl.Series(["4:00", "3:30", "n/a"]), "units", "battery_minutes")
    assert numbers.to_list() == [240, 210, None] and times == AS_WRITTEN


def test_a_comma_parts_thousands_or_a_fraction():
    texts = pl.Series(["1,204", "12,345,678", "5,5", "-93,41250", "100,0 %", "0,25", "1,2,3", "7"])
    assert read_numbers(texts).to_list() == [1204, 12345678, 5.5, -93.4125, 100, 0.25, None, 7]
