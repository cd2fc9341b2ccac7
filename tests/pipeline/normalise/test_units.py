"""Which unit a caller means."""

import polars as pl
import pytest

from pipeline.normalise.units import kind_said, sites_named, unit_book, unit_of


@pytest.mark.parametrize(
    ("said", "text", "category", "unit"),
    [
        ("SC-20012", "", None, "SC-20012"),
        ("sc20012", "", None, "SC-20012"),
        ("sc 20012", "", None, "SC-20012"),
        ("SC-20021", "", None, "SC-20021"),  # asset tags hold across the county
        ("", "the one with SC-20011 on it jams", None, "SC-20011"),
        ("71105678", "", None, "SC-20012"),
        ("SN 05678", "", None, "SC-20012"),
        ("#012", "", None, "SC-20012"),
        ("ends in 012", "", None, "SC-20012"),
        ("", "scanner jam, ends in 678", "scanner-jam", "SC-20012"),
        ("", "its the 012 one again", "scanner-jam", "SC-20012"),
        ("", "long line for scnr 12", "long-line", "SC-20012"),
        ("", "tablet frozen (014)", "poll-book", "PB-20014"),
        ("SC-20021", "", "scanner-jam", "SC-20021"),
        ("MD-20031", "touch screen frozen", "bmd", "MD-20013"),  # digits swapped
        ("", "20012 wont boot", "scanner-down", "SC-20012"),
        ("", "um two zero zero one two it wont boot", "scanner-down", "SC-20012"),
        ("", "twenty oh twelve wont boot", "scanner-down", "SC-20012"),
        ("", "11 cleared, counting again", "scanner-jam", "SC-20011"),
    ],
)
def test_a_unit_is_known_by_tag_serial_or_last_digits(units_frame: pl.DataFrame, said, text, category, unit):
    assert unit_of(unit_book(units_frame), "P01", said, text, category) == unit


def test_the_only_unit_that_fits_the_trouble_is_meant(units_frame: pl.DataFrame):
    book = unit_book(units_frame)
    assert unit_of(book, "P01", "", "touch screen frozen", "bmd") == "MD-20013"
    assert unit_of(book, "P02", "", "jammed", "scanner-jam") == "SC-20021"
    assert unit_of(book, "P02", "", "results will not go through", "transmission") == "SC-20021"
    assert unit_of(book, "P02", "", "the strap of our scanner was cut", "seal", "scanner") == "SC-20021"
    assert unit_of(book, "P02", "", "the strap of the case was cut", "seal") is None


def test_no_unit_is_guessed_where_two_fit_or_none_is_involved(units_frame: pl.DataFrame):
    book = unit_book(units_frame)
    assert unit_of(book, "P01", "", "jammed", "scanner-jam") is None
    assert unit_of(book, "P01", "scanner 2", "jammed", "scanner-jam") is None
    assert unit_of(book, "P02", "", "need a judge", "staffing") is None
    assert unit_of(book, None, "", "jammed", "scanner-jam") is None


@pytest.mark.parametrize(
    "text",
    ["45 in line", "waited 20 minutes", "error 207", "seal 1234567", "since 10:12", "12 ballots left"]
    + ["012 ballots", "12 left", "twelve waiting", "one two people"],
)
def test_numbers_that_count_something_name_no_unit(units_frame: pl.DataFrame, text: str):
    assert unit_of(unit_book(units_frame), "P01", "", text, "long-line") is None


def test_a_unit_named_tells_the_site(units_frame: pl.DataFrame):
    book = unit_book(units_frame)
    assert sites_named(book, "SC-20021", "") == ("P02",)
    assert sites_named(book, "SC-20099", "") == ()  # at the depot
    assert sites_named(book, "", "40 in line") == ()


@pytest.mark.parametrize(
    ("said", "kind"), [("check in tablet 1", "pollbook"), ("bmd one", "bmd"), ("scnr 2", "scanner"), ("left", None)]
)
def test_the_callers_word_for_a_unit_tells_its_kind(said: str, kind: str | None):
    assert kind_said(said) == kind


def test_a_tag_of_several_parts_is_read_whole(units_frame: pl.DataFrame):
    rows = units_frame.filter(pl.col("site_id") == "P01").head(2)
    book = unit_book(rows.with_columns(unit_id=pl.Series(["T-216-1", "T-216-2"])))
    assert unit_of(book, "P01", "", "T-216-2 is the good one", None) == "T-216-2"
