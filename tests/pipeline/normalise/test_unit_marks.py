"""Units named by a letter, a word of their own, or their place in a count. Common practice, no source."""

from collections.abc import Callable, Sequence

import polars as pl
import pytest

from pipeline.normalise.unit_roster import unit_book
from pipeline.normalise.units import sites_named, unit_of

SCAN, MARK, BOOK = "scan-single", "bmd", "electronic-poll-book"
LETTERS = (("SC-07A", SCAN), ("SC-07B", SCAN), ("BM-07", MARK), ("EP-07A", BOOK), ("EP-07B", BOOK), ("EP-07C", BOOK))
WORDS = (("TAB-HERON", SCAN), ("TAB-GREEN", SCAN), ("PAD-IRIS", BOOK), ("PAD-LEFT", BOOK))
COUNTED = (("ELM-S1", SCAN), ("ELM-S2", SCAN), ("ELM-B1", BOOK), ("ELM-B2", BOOK), ("ELM-B3", BOOK))
LONG = (("CW/SCN/0412", SCAN), ("CW/SCN/0413", SCAN), ("CW/EPB/0901", BOOK), ("CW/EPB/0902", BOOK))
TAGS = (("T-11", SCAN), ("T-12", SCAN), ("M-09", MARK), ("M-10", MARK), ("V-101", BOOK), ("V-102", BOOK))
Place = Sequence[tuple[str, str]]


@pytest.fixture
def place(units_frame: pl.DataFrame) -> Callable[[Place], pl.DataFrame]:
    """A roster of one place."""

    def make(units: Place) -> pl.DataFrame:
        rows = pl.concat([units_frame.filter(pl.col("site_id") == "P01").head(1)] * len(units))
        ids, types = (pl.Series(values) for values in zip(*units, strict=True))
        return rows.with_columns(unit_id=ids, type=types, serial=pl.lit(None, dtype=pl.String))

    return make


@pytest.mark.parametrize(
    ("units", "said", "text", "category", "unit"),
    [
        (LETTERS, "", "scanner B is jammed", "scanner-jam", "SC-07B"),
        (LETTERS, "", "the A machine spits them back", "scanner-jam", "SC-07A"),
        (LETTERS, "", 'scanner "A" is black', "scanner-down", "SC-07A"),
        (LETTERS, "", "tablet Charlie lost the list", "poll-book", "EP-07C"),
        (LETTERS, "", "machine letter B is jammed", "scanner-jam", "SC-07B"),
        (LETTERS, "07B", "jam", "scanner-jam", "SC-07B"),
        (LETTERS, "B", "jam", "scanner-jam", "SC-07B"),
        (LETTERS, "", "7-B has a sheet in it", "scanner-jam", "SC-07B"),
        (LETTERS, "", "since 7a it has a sheet in it", "scanner-jam", None),  # a time of day
        (LETTERS, "", "the scanner a voter used is jammed", "scanner-jam", None),
        (LETTERS, "", "a scanner is jammed", "scanner-jam", None),
        (WORDS, "", "Heron has a sheet in it", "scanner-jam", "TAB-HERON"),
        (WORDS, "iris", "lost the list", "poll-book", "PAD-IRIS"),
        (WORDS, "", "the green one has a sheet in it", "scanner-jam", "TAB-GREEN"),
        (WORDS, "", "it has a green light", "scanner-jam", None),
        (WORDS, "", "nobody is left at the tablet", "poll-book", None),
        (COUNTED, "", "the second scanner is dark", "scanner-down", "ELM-S2"),
        (COUNTED, "", "#2 scanner is dark", "scanner-down", "ELM-S2"),
        (COUNTED, "Scanner 1", "dark", "scanner-down", "ELM-S1"),
        (COUNTED, "", "3rd poll book wants a password", "poll-book", "ELM-B3"),
        (COUNTED, "", "pad 2 is frozen", "poll-book", "ELM-B2"),
        (COUNTED, "", "the second ballot stuck in the scanner", "scanner-jam", None),
        (COUNTED, "", "the first voter at the scanner", "scanner-jam", None),
        (LONG, "", "scn0412 has a sheet in it", "scanner-jam", "CW/SCN/0412"),
        (LONG, "", "the scanner with 413 on the back has a sheet in it", "scanner-jam", "CW/SCN/0413"),
        (TAGS, "", "tee twelve has a sheet in it", "scanner-jam", "T-12"),
        (TAGS, "", "tango eleven has a sheet in it", "scanner-jam", "T-11"),
        (TAGS, "", "em ten keeps freezing", "bmd", "M-10"),
        # No tag counts them: by the order of the roster, and not for poll books.
        (TAGS, "", "scanner 2 has a sheet in it", "scanner-jam", "T-12"),
        (TAGS, "", "poll book 2 is dark", "poll-book", None),
    ],
)
def test_a_unit_is_known_by_its_letter_its_word_or_its_place_in_a_count(place, units, said, text, category, unit):
    assert unit_of(unit_book(place(units)), "P01", said, text, category) == unit


@pytest.mark.parametrize(
    ("text", "category", "unit"),
    [
        ("its not T-12 for once, crumpled sheets", "scanner-jam", "T-11"),
        ("the one beside T-11 is dark", "scanner-down", "T-12"),
        ("jam, we send everyone to T-11 meanwhile", "scanner-jam", "T-12"),
        ("T-11 died. T-12 is doing all the work", "scanner-down", "T-11"),
        ("T-12 behaves, but the one by the window has a sheet in it", "scanner-jam", "T-11"),
        ("T-12 keeps going dark", "scanner-down", "T-12"),
        ("T-12 stopped working", "scanner-down", "T-12"),
        ("T-12 is fine now", "scanner-down", "T-12"),  # what is fine now is what the call is about
        ("everything works except T-12", "scanner-down", "T-12"),
        ("T-12 works only if you hold the lid", "scanner-down", "T-12"),
        ("we moved T-12 and now it is dark", "scanner-down", "T-12"),
        ("a voter was using T-12, the screen went dark", "scanner-down", "T-12"),
        ("why isn't T-12 counting", "scanner-down", "T-12"),
        ("T-12 takes all of them crooked", "scanner-jam", "T-12"),
        ("using T-11 in the meantime, a sheet is stuck", "scanner-jam", "T-12"),
    ],
)
def test_a_unit_named_beside_the_one_meant_tells_that_it_is_the_other(place, text: str, category: str, unit: str):
    assert unit_of(unit_book(place(TAGS)), "P01", "", text, category) == unit


def test_a_spare_that_waits_at_a_site_is_meant_only_where_it_is_named(place):
    roster = place((("T-11", SCAN), ("T-12", SCAN))).with_columns(role=pl.Series(["deployed", "spare"]))
    assert unit_of(unit_book(roster), "P01", "", "a sheet is stuck", "scanner-jam") == "T-11"
    assert unit_of(unit_book(roster), "P01", "", "T-12 has a sheet in it", "scanner-jam") == "T-12"
    assert sites_named(unit_book(roster), "T-12", "") == ("P01",)
    assert unit_of(unit_book(roster), "P01", "the spare one", "a sheet is stuck", "scanner-jam") == "T-12"
