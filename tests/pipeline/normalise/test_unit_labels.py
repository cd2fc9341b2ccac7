"""Units named by what their county calls them. Common practice, no source."""

import json
from collections.abc import Callable, Sequence

import polars as pl
import pytest

from pipeline.normalise.unit_roster import unit_book
from pipeline.normalise.units import sites_called, unit_of, without_labels

SCAN, MARK, BOOK = "scan-single", "bmd", "electronic-poll-book"
COLOURS = (
    ("V501", SCAN, "red dot"),
    ("V502", SCAN, "teal dot"),
    ("V503", SCAN, "gold dot"),
    ("K601", MARK, "gold dot"),
)
PLACES = (("V501", SCAN, "door"), ("V502", SCAN, "stage"), ("E701", BOOK, "lobby"), ("E702", BOOK, "coat rack"))
NUMBERS = (("V501", SCAN, "1"), ("V502", SCAN, "2"), ("E701", BOOK, "1"), ("E702", BOOK, "2"), ("E703", BOOK, "3"))
HIGH = (("V501", SCAN, "41"), ("V502", SCAN, "42"), ("E701", BOOK, "43"), ("E702", BOOK, "44"))
MIXED = (("V501", SCAN, "Scanner 1"), ("V502", SCAN, "Scanner 2"), ("E701", BOOK, "1"), ("E702", BOOK, "2"))
CODES = (("V501", SCAN, "S1"), ("V502", SCAN, "S2"), ("E701", BOOK, "P1"), ("E702", BOOK, "P2"), ("E703", BOOK, "P3"))
WORDS = (("V501", SCAN, "Otter"), ("V502", SCAN, "Marten"), ("E701", BOOK, "bay 1"), ("E702", BOOK, "bay 2"))
SPLIT = (("E701", BOOK, "A-H"), ("E702", BOOK, "I-Q"), ("E703", BOOK, "R-Z"))
SIDES = (("V501", SCAN, "left"), ("V502", SCAN, "right"))
KINDS = (("V501", SCAN, "Scanner 1"), ("V502", SCAN, "annex"), ("V503", SCAN, "purple box"), ("E701", BOOK, "1"))
CROSSED = (("T-02", SCAN, "desk 1"), ("T-01", SCAN, "table 2"))
DIGITS = (("5011", SCAN, "plum"), ("5012", SCAN, "lime"))
TAGS = (("V501", SCAN, "RC-2217"), ("V502", SCAN, "RC-2239"))
MARKS = (
    ("V501", SCAN, "dinosaur"),
    ("V502", SCAN, "flagpole"),
    ("V503", SCAN, "three stripes"),
    ("V504", SCAN, "letter M"),
)
ANIMALS = (("V501", SCAN, "dinosaur"), ("V502", SCAN, "owl"))
SPOTS = (("V501", SCAN, "stage"), ("V502", SCAN, "climbing wall"), ("E701", BOOK, "R-Z table"), ("E702", BOOK, ""))
SPARSE = (("V501", SCAN, "owl"), ("V502", SCAN, ""), ("E701", BOOK, ""), ("E702", BOOK, ""), ("E703", BOOK, ""))
ENDS = (("V-501-PA", SCAN, ""), ("V-502-SX", SCAN, ""))
Place = Sequence[tuple[str, str, str]]


@pytest.fixture
def place(units_frame: pl.DataFrame) -> Callable[[Place], pl.DataFrame]:
    """A roster of one place with a further column."""

    def make(units: Place) -> pl.DataFrame:
        rows = pl.concat([units_frame.filter(pl.col("site_id") == "P01").head(1)] * len(units))
        ids, types, names = (pl.Series(values) for values in zip(*units, strict=True))
        given = pl.Series([json.dumps({"whatever": name}) for name in names])
        return rows.with_columns(unit_id=ids, type=types, serial=pl.lit(None, dtype=pl.String), attributes=given)

    return make


@pytest.mark.parametrize(
    ("units", "said", "text", "category", "unit"),
    [
        (COLOURS, "red dot", "jam", "scanner-jam", "V501"),
        (COLOURS, "RED", "jam", "scanner-jam", "V501"),
        (COLOURS, "the teal one", "jam", "scanner-jam", "V502"),
        (COLOURS, "tdot", "jam", "scanner-jam", "V502"),
        (COLOURS, "gold", "jam", "scanner-jam", "V503"),
        (COLOURS, "gold", "the touch screen is black", "bmd", "K601"),
        (COLOURS, "gold", "hello", None, None),  # two are called so
        (COLOURS, "gold scanner", "hello", None, "V503"),
        (COLOURS, "not the gold marker", "hello", None, ""),
        (COLOURS, "", "red dot has a sheet in it, teal and gold are fine", "scanner-jam", "V501"),
        (COLOURS, "", "Teal dot is fine. Red dot is the one that jams", "scanner-jam", "V501"),
        (COLOURS, "", "the teal scanner has a sheet in it", "scanner-jam", "V502"),
        (COLOURS, "", "it shows a red light and jams", "scanner-jam", None),
        (COLOURS, "", "a red dot is printed on the ballots", "ballot-stock", None),
        (PLACES, "stage", "jam", "scanner-jam", "V502"),
        (PLACES, "by the door", "jam", "scanner-jam", "V501"),
        (PLACES, "coat", "frozen", "poll-book", "E702"),
        (PLACES, "not the door one", "jam", "scanner-jam", "V502"),
        (PLACES, "", "the one by the stage has a sheet in it", "scanner-jam", "V502"),
        (PLACES, "", "the scanner that stands near the door is dark", "scanner-down", "V501"),
        (PLACES, "", "the tablet at the coat rack is frozen", "poll-book", "E702"),
        (PLACES, "", "the scanner door is open and it will not start", "scanner-down", None),
        (PLACES, "", "both machines by the stage are dark", "scanner-down", None),
        (PLACES, "", "the door is locked", "site-access", None),
        (PLACES, "", "scanner jammed and the line is out the door", "scanner-jam", None),
        (PLACES, "", "forty people in the lobby", "long-line", None),
        (PLACES, "", "somebody fell off the stage", "safety", None),
        (NUMBERS, "2", "jam", "scanner-jam", "V502"),
        (NUMBERS, "2", "frozen", "poll-book", "E702"),
        (NUMBERS, "3", "frozen", None, "E703"),
        (NUMBERS, "book 2", "frozen", None, "E702"),
        (NUMBERS, "pb #2", "frozen", None, "E702"),
        (NUMBERS, "sc2", "jam", "scanner-jam", "V502"),
        (NUMBERS, "scanner no. 3", "jam", "scanner-jam", None),  # a poll book has that number
        (NUMBERS, "2 scanners", "jam", "scanner-jam", None),
        (NUMBERS, "all 3", "frozen", "poll-book", None),
        (NUMBERS, "", "poll book 3 lost the list", "poll-book", "E703"),
        (NUMBERS, "", "3 voters wait for the poll book", "poll-book", None),
        (NUMBERS, "", "poll books 1 2 3 all frozen", "poll-book", None),
        (NUMBERS, "", "bag no. 2: the seal is torn", "seal", None),
        (MIXED, "2", "scnr 2 jam", "scanner-jam", "V502"),
        (MIXED, "2", "frozen", "poll-book", "E702"),
        (MIXED, "sc1", "hello", None, "V501"),
        (HIGH, "42", "jam", "scanner-jam", "V502"),
        (HIGH, "", "the stick is stuck in 42", "memory-card", "V502"),
        (HIGH, "", "42 is dark, 41 is fine", "scanner-down", "V502"),
        (HIGH, "", "42 in line, scanner jammed", "scanner-jam", None),
        (CODES, "", "P2 is offline. P1 and P3 are good", "poll-book", "E702"),
        (CODES, "s2", "", None, "V502"),
        (CODES, "", "no ballots left for pct 3", "ballot-stock", None),
        (WORDS, "", "Following up on Otter", None, "V501"),
        (WORDS, "otr", "jam", "scanner-jam", "V501"),
        (WORDS, "oter", "jam", "scanner-jam", "V501"),
        (WORDS, "", "Otter is fine, it is Marten that jams", "scanner-jam", "V502"),
        (WORDS, "b2", "frozen", "poll-book", "E702"),
        (WORDS, "", "the tablet at bay two is frozen", "poll-book", "E702"),
        (WORDS, "", "the second bay wants a password", "poll-book", "E702"),
        (SPLIT, "", "our I thru Q book is frozen", "poll-book", "E702"),
        (SPLIT, "r-z", "frozen", "poll-book", "E703"),
        (SPLIT, "R to Z", "frozen", "poll-book", "E703"),
        (SIDES, "left one", "jam", "scanner-jam", "V501"),
        (SIDES, "", "the left scanner has a sheet in it", "scanner-jam", "V501"),
        (SIDES, "", "the left one jams, right one is fine", "scanner-jam", "V501"),
        (SIDES, "", "scanner jammed right when we opened", "scanner-jam", None),
        (SIDES, "", "nobody left to watch the scanner, it is jammed", "scanner-jam", None),
        (KINDS, "scanner", "jam", "scanner-jam", None),
        (KINDS, "pb", "frozen", "poll-book", "E701"),
        (KINDS, "annex scanner", "jam", "scanner-jam", "V502"),
        (CROSSED, "T2", "jam", "scanner-jam", "T-02"),  # a whole tag goes before a name cut short
        (CROSSED, "", "T2 has a sheet in it", "scanner-jam", "T-02"),
        (CROSSED, "table 2", "jam", "scanner-jam", "T-01"),
        (DIGITS, "", "plum is jammed, lime is fine", "scanner-jam", "5011"),
        (MARKS, "", "Dino jamming again, two sheets in", "scanner-jam", "V501"),
        (MARKS, "", "the flag-pole tabulator has a sheet in it", "scanner-jam", "V502"),
        (MARKS, "", "no card in the slot of three-stripe", "memory-card", "V503"),
        (MARKS, "M", "sheet stuck", "scanner-jam", "V504"),
        (SPOTS, "", "jam, not the one by the stage", "scanner-jam", "V502"),
        (ANIMALS, "", "it won't eject, the one WITHOUT the dinosaur", "scanner-jam", "V502"),
        (SPOTS, "", "the scanner next to the climbing wall has a sheet in it", "scanner-jam", "V502"),
        (SPOTS, "", "the stage side ballot counter has a sheet in it", "scanner-jam", "V501"),
        (SPOTS, "table R-Z", "frozen", "poll-book", "E701"),
        (SPOTS, "V501", "jam, line to the climbing wall one", "scanner-jam", "V501"),  # the column goes before the text
        (SPARSE, "owl", "jam", "scanner-jam", None),  # half of a kind have to have a name
        (ENDS, "sx", "jam", "scanner-jam", "V-502-SX"),
        (ENDS, "", "the one ending PA has a sheet in it", "scanner-jam", "V-501-PA"),
        (NUMBERS, "", "There are two scanners. Number 2: paper will not go in", "scanner-jam", "V502"),
        (NUMBERS, "", "number three died", "poll-book", "E703"),
        (NUMBERS, "", "2 isn't finding anybody", "poll-book", "E702"),
        (TAGS, "2217", "jam", "scanner-jam", "V501"),
        (TAGS, "rc 2239", "jam", "scanner-jam", "V502"),
        (TAGS, "", "the one tagged 2239 has a sheet in it", "scanner-jam", "V502"),
        (TAGS, "", "tag ...217 has a sheet in it", "scanner-jam", "V501"),
    ],
)
def test_a_unit_is_known_by_what_its_county_calls_it(place, units, said, text, category, unit):
    assert unit_of(unit_book(place(units)), "P01", said, text, category) == (unit or None)


def test_names_of_units_are_no_words_about_a_trouble(place):
    book = unit_book(place((("V501", SCAN, "blue tape"), ("V502", SCAN, "green tape"))))
    assert without_labels(book, "P01", "blue tape jammed") == "it jammed"
    assert without_labels(book, "P02", "blue tape jammed") == "blue tape jammed"


def test_what_a_unit_is_called_tells_its_site_where_few_have_such_a_one(place):
    elsewhere = (("V503", SCAN, "Otter"), ("V504", SCAN, "Marten"))
    rows = place((*PLACES[:2], *elsewhere)).with_columns(site_id=pl.Series(["P01", "P01", "P02", "P02"]))
    assert sites_called(unit_book(rows), "stage", "") == ("P01",)
    assert sites_called(unit_book(rows), "", "the Marten scanner is jammed") == ("P02",)
    assert sites_called(unit_book(rows), "2", "jammed") == ()
