"""Units named by a letter that stands by itself. Common practice, no source."""

import json

import polars as pl
import pytest

from pipeline.normalise.unit_roster import unit_book
from pipeline.normalise.units import unit_of

SCAN, MARK, BOOK = "scan-single", "bmd", "electronic-poll-book"
LETTERED = (
    ("8T79", SCAN, "A"),
    ("4P93", SCAN, "B"),
    ("9P14", MARK, "X"),
    ("4B74", BOOK, "1"),
    ("8C69", BOOK, "2"),
)
TAGGED = (("SC-07A", SCAN, ""), ("SC-07B", SCAN, ""), ("PB-071", BOOK, ""), ("PB-072", BOOK, ""))
PLAIN = (("4131", SCAN, ""), ("4162", SCAN, ""), ("7140", BOOK, ""), ("7155", BOOK, ""))


@pytest.fixture
def read(units_frame: pl.DataFrame):
    """What unit a text names at a place with the units given, each by id, type and what the county calls it."""

    def unit(units, text: str, category: str) -> str | None:
        rows = pl.concat([units_frame.filter(pl.col("site_id") == "P01").head(1)] * len(units))
        ids, types, names = (pl.Series(values) for values in zip(*units, strict=True))
        extra = [json.dumps({"lid": name} if name else {}) for name in names]
        frame = rows.with_columns(unit_id=ids, type=types, serial=pl.lit(None, pl.String), attributes=pl.Series(extra))
        return unit_of(unit_book(frame), "P01", "", text, category)

    return unit


@pytest.mark.parametrize(
    ("units", "text", "category", "unit"),
    [
        (LETTERED, "B takes nothing, every sheet kicked back", "scanner-down", "4P93"),
        (LETTERED, "zero report blank on B, flipped the roll. A fine", "tape-printer", "4P93"),
        (LETTERED, "B sent ok. A upload failed", "transmission", "8T79"),
        (LETTERED, "A never came up", "scanner-down", "8T79"),
        (LETTERED, "sent A. B says busy", "transmission", "4P93"),
        (LETTERED, "no zero report off the second machine", "tape-printer", "4P93"),
        (LETTERED, "scanner A is fine, B wont boot", "scanner-down", "4P93"),
        (TAGGED, "jam in B, cleared", "scanner-jam", "SC-07B"),
        (TAGGED, "the second scanner will not start", "scanner-down", "SC-07B"),
        (PLAIN, "A is fine, B jams", "scanner-jam", "4162"),
        (PLAIN, "scanner B will not start", "scanner-down", "4162"),
    ],
)
def test_a_letter_by_itself_names_the_unit_that_is_called_so(read, units, text: str, category: str, unit: str):
    assert read(units, text, category) == unit


@pytest.mark.parametrize(
    ("units", "text", "category"),
    [
        (LETTERED, "A jammed ballot, both stopped", "scanner-jam"),
        (LETTERED, "A good seal is missing", "seal"),
        (LETTERED, "both jam, B. Quan is calling", "scanner-jam"),
        (LETTERED, "ballot type B jams everywhere", "scanner-jam"),
        (LETTERED, "A AND THE REST ARE OK, A SCANNER IS OUT", "scanner-down"),
        (LETTERED, "A and B both jam", "scanner-jam"),
        (LETTERED, "names A-B do not scan", "scanner-jam"),
        (PLAIN, "B is not on the list", "poll-book"),
    ],
)
def test_a_letter_that_is_an_article_a_name_or_one_of_two_names_no_unit(read, units, text: str, category: str):
    assert read(units, text, category) is None
