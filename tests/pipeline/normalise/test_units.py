"""Which unit a caller means."""

import json

import polars as pl
import pytest

from pipeline.normalise.unit_roster import unit_book
from pipeline.normalise.units import kind_chance, kind_meant, kind_named, kind_said, sites_called, sites_named, unit_of


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
    assert unit_of(book, "P01", "tablet 2", "frozen", "poll-book") is None
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


def test_a_whole_number_of_three_digits_tells_the_site_and_the_end_of_a_longer_one_does_not(units_frame):
    rows = units_frame.head(3).with_columns(
        unit_id=pl.Series(["226E", "227E", "4226"]), site_id=pl.Series(["P01", "P02", "P03"]), serial=None
    )
    book = unit_book(rows.with_columns(pl.col("serial").cast(pl.String)))
    assert sites_named(book, "226", "frozen") == ("P01",)
    assert sites_named(book, "", "226 voters so far") == ()
    assert sites_called(book, "", "it is the front one, 226, that is frozen") == ("P01",)


@pytest.mark.parametrize(
    ("said", "kind"), [("check in tablet 1", "pollbook"), ("bmd one", "bmd"), ("scnr 2", "scanner"), ("left", None)]
)
def test_the_callers_word_for_a_unit_tells_its_kind(said: str, kind: str | None):
    assert kind_said(said) == kind


def test_a_tag_of_several_parts_is_read_whole(units_frame: pl.DataFrame):
    rows = units_frame.filter(pl.col("site_id") == "P01").head(2)
    book = unit_book(rows.with_columns(unit_id=pl.Series(["T-216-1", "T-216-2"])))
    assert unit_of(book, "P01", "", "T-216-2 is the good one", None) == "T-216-2"


def placed(units_frame: pl.DataFrame, ids: list[str]) -> pl.DataFrame:
    """A place with two scanners, a marking device and two poll books that have these ids."""
    rows = units_frame.filter(pl.col("site_id") == "P01").sort("unit_id")
    kinds = ["scan-single", "scan-single", "bmd", "electronic-poll-book", "electronic-poll-book"]
    return rows.with_columns(unit_id=pl.Series(ids), type=pl.Series(kinds))


@pytest.fixture
def counted(units_frame: pl.DataFrame) -> pl.DataFrame:
    """A place whose tags number its units from one, whatever their kind."""
    return placed(units_frame, [f"101-{n}" for n in range(1, 6)])


@pytest.mark.parametrize(
    ("said", "text", "category", "unit"),
    [
        ("", "tablet 5 lost its list", "poll-book", "101-5"),
        ("", "tablet number four froze", None, "101-4"),
        ("2", "a sheet is stuck", "scanner-jam", "101-2"),
        ("#4", "wrong date", "poll-book", "101-4"),
        ("", "the wrong date comes up. Sticker 5", "poll-book", "101-5"),
        ("", "5 voters wait at the tablets", "poll-book", None),
    ],
)
def test_a_unit_is_known_by_its_number_among_all_of_its_place(counted: pl.DataFrame, said, text, category, unit):
    assert unit_of(unit_book(counted), "P01", said, text, category) == unit


def test_ids_that_count_each_kind_by_itself_or_nothing_are_no_numbers_of_a_place(units_frame: pl.DataFrame):
    for ids in (["101-1", "101-2", "101-01", "101-001", "101-0002"], ["101-41", "101-7", "101-12", "101-3", "101-8"]):
        assert not any(unit.marks for unit in unit_book(placed(units_frame, ids)).units)


def test_a_number_that_the_county_calls_a_unit_by_goes_before_its_place_in_the_count(counted: pl.DataFrame):
    def tablet_5(*labels: str) -> str | None:
        given = pl.Series([json.dumps({"sticker": label}) for label in labels])
        return unit_of(unit_book(counted.with_columns(attributes=given)), "P01", "", "tablet 5 is dark", "poll-book")

    assert tablet_5("A", "B", "C", "D", "E") == "101-5"
    assert tablet_5("A", "B", "C", "5", "6") == "101-4"
    assert tablet_5("CO-0411", "CO-0412", "CO-0413", "CO-0414", "CO-0415") == "101-5"


@pytest.fixture
def numbered(units_frame: pl.DataFrame) -> pl.DataFrame:
    """A place whose tags begin with its own id, and number its units from one."""
    return placed(units_frame, ["07-S1", "07-S2", "07-B1", "07-P1", "07-P2"])


@pytest.mark.parametrize(
    ("said", "text", "category", "unit"),
    [
        ("07-S2", "", None, "07-S2"),
        ("S2", "dead", None, "07-S2"),
        ("", "S2 down, S1 carries on", None, "07-S2"),
        ("", "p2 lost its list", None, "07-P2"),
        ("", "07s1 is dark", None, "07-S1"),
        ("", "scanner 2 is dark", None, "07-S2"),
        ("", "tablet two lost its list", None, "07-P2"),
        ("", "mkr 1 touch dead", None, "07-B1"),
        ("S1 S2", "both dark", "scanner-down", None),  # two are not one
        ("", "2 voters at S", "scanner-down", None),
        ("", "table 2 is out of pens", "other", None),
    ],
)
def test_a_tag_that_begins_with_its_place_is_known_by_its_end(numbered: pl.DataFrame, said, text, category, unit):
    assert unit_of(unit_book(numbered), "P01", said, text, category) == unit


@pytest.mark.parametrize(
    ("text", "category", "unit"),
    [
        ("SC 200 11 wont boot", None, "SC-20011"),
        ("200-12 took two at once", None, "SC-20012"),
        ("serial 7110 5678 wont boot", None, "SC-20012"),
        ("20011 is fine. The second one only hums", "scanner-down", "SC-20012"),
        ("20011 only hums, the second voter left", "scanner-down", "SC-20011"),
        ("20011 only hums. The second one started as it should", "scanner-down", "SC-20011"),
    ],
)
def test_a_number_in_parts_and_the_second_of_two(units_frame: pl.DataFrame, text: str, category, unit: str):
    assert unit_of(unit_book(units_frame), "P01", "", text, category) == unit


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("31 wont boot", "SCN-31"),
        ("seen since ten, thirty-two is the dark one", "SCN-32"),
        ("waited for 31, still dark", None),
        ("31 in line", None),
        ("$31 of pens", None),
    ],
)
def test_a_pair_of_digits_names_a_unit_where_it_is_all_of_a_tag(units_frame: pl.DataFrame, text: str, unit: str | None):
    rows = units_frame.filter(pl.col("site_id") == "P01").head(2)
    book = unit_book(rows.with_columns(unit_id=pl.Series(["SCN-31", "SCN-32"]), type=pl.lit("scan-single")))
    assert unit_of(book, "P01", "", text, "scanner-down") == unit


def test_several_units_said_tell_their_kind_but_no_unit(numbered: pl.DataFrame):
    book = unit_book(numbered)
    assert kind_meant(book, "P01", None, "P1, P2") == "pollbook"
    assert kind_meant(book, "P01", None, "S1 P2") is None


def test_the_kind_of_unit_has_the_chance_of_all_its_categories():
    chances = {"scanner-jam": 0.4, "scanner-down": 0.3, "bmd": 0.2, "other": 0.1}
    assert kind_chance("scanner-jam", chances) == pytest.approx(0.7)
    assert kind_chance("other", chances) == 0.0


def with_more(units_frame: pl.DataFrame, *more: tuple[str, str, str, str]) -> pl.DataFrame:
    """The roster with more units: unit_id, site_id, type, serial."""
    names = ("unit_id", "site_id", "type", "serial")
    rows = [dict(zip(names, row, strict=True)) for row in more]
    return pl.concat(
        [units_frame, pl.DataFrame([{n: r.get(n) for n in units_frame.columns} for r in rows], units_frame.schema)]
    )


def test_a_whole_tag_goes_before_the_end_of_a_serial(units_frame: pl.DataFrame):
    book = unit_book(
        with_more(units_frame, ("PB-801", "P01", "electronic-poll-book", "55"), ("PR-9", "P01", "other", "7434801"))
    )
    assert unit_of(book, "P01", "801", "names stop at M") == "PB-801"


def test_what_results_are_sent_by_and_a_label_printer_are_known_where_the_roster_has_them(units_frame: pl.DataFrame):
    # SP 1500-101 DeviceType has transmission-sending and ballot-printing
    without = unit_book(units_frame)
    more = ("MO-1", "P02", "transmission-sending", "61"), ("LP-2", "P02", "ballot-printing", "62")
    book = unit_book(with_more(units_frame, *more))
    assert unit_of(without, "P02", "", "results wont go", "transmission", None, {"sender"}) == "SC-20021"
    assert unit_of(book, "P02", "", "the modem has no bars", "transmission", None, {"sender"}) == "MO-1"
    assert unit_of(book, "P02", "", "results wont go", "transmission") == "MO-1"
    assert unit_of(book, "P02", "", "the machine will not send", "transmission", None, {"machine"}) == "SC-20021"
    assert unit_of(book, "P02", "", "hotspot has a red light", "poll-book", None, {"pollbook", "sender"}) == "MO-1"
    assert unit_of(book, "P02", "", "label printer clicks", "poll-book", None, {"pollbook", "labeller"}) == "LP-2"
    assert unit_of(book, "P02", "", "list is short", "poll-book", None, {"pollbook"}) == "PB-20022"


def test_the_only_kind_of_unit_that_words_name_goes_before_that_of_the_category(units_frame: pl.DataFrame):
    assert kind_named("scanner-down", {"bmd", "machine"}) == "bmd"
    assert kind_named("bmd", {"accessible", "bmd", "printer"}) == "bmd"
    assert kind_named("seal", {"scanner"}) == "scanner"
    assert kind_named("seal", {"seal", "bin"}) == "scanner" and kind_named("seal", {"bin", "bmd"}) == "bmd"
    assert kind_named("scanner-down", {"bmd", "scanner"}) is None
    assert kind_named("long-line", {"scanner"}) is None
    book = unit_book(units_frame)
    assert unit_of(book, "P01", "", "the touch screen went black", "scanner-down", "bmd", {"bmd"}) == "MD-20013"


@pytest.fixture
def tagged(units_frame: pl.DataFrame) -> pl.DataFrame:
    """A place whose units have a tag of the county's own as their serial."""
    ids = ("KC2103", "KC2106", "KC2304", "KC4040", "KC4041", "KC6103")
    tags = ("T03", "T06", "M04", "P040", "P041", "N3")
    kinds = ["scan-single", "scan-single", "bmd", "electronic-poll-book", "electronic-poll-book", "other"]
    row = units_frame.filter(pl.col("site_id") == "P01").head(1)
    rows = pl.concat([row] * len(ids))
    return rows.with_columns(unit_id=pl.Series(ids), serial=pl.Series(tags), type=pl.Series(kinds))


@pytest.mark.parametrize(
    ("said", "text", "category", "unit"),
    [
        ("N3", "its light is amber", "poll-book", "KC6103"),
        ("", "P041 frozen on the signature", None, "KC4041"),
        ("", "book 40 says not found", "poll-book", "KC4040"),
        ("", "zero report on 03: only one copy came", "tape-printer", "KC2103"),
        ("", "06 back in service, who signs the seal log", "seal", "KC2106"),
        ("", "06 people are back in line", "seal", None),
        ("", "the light of N-3 is amber", None, "KC6103"),
        ("", "p 40 is slow", None, "KC4040"),
        ("03", "rejects all of them. T06 takes both styles fine", "scanner-down", "KC2103"),
    ],
)
def test_a_tag_of_the_countys_own_in_the_serials_place_names_a_unit(tagged: pl.DataFrame, said, text, category, unit):
    assert unit_of(unit_book(tagged), "P01", said, text, category) == unit


@pytest.mark.parametrize(
    ("text", "category", "unit"),
    [
        ("Now T06 misfeeds. 03 was swapped out & runs fine", "scanner-jam", "KC2106"),
        ("T06 printed its zeros very nicely, so it is only the one machine", "tape-printer", "KC2103"),
        ("T06 is not fine", "scanner-down", "KC2106"),
        ("40 is fine, the rest are not", "poll-book", "KC4041"),
        ("T06 is fine", "bmd", "KC2304"),
        ("40 and 41 do not talk to each other", "poll-book", None),
        ("neither T03 nor T06 counts", "scanner-down", None),
        ("T03 has 20 or 30 waiting", "scanner-down", "KC2103"),
    ],
)
def test_a_unit_that_is_said_to_be_fine_and_two_at_once_are_not_what_is_meant(tagged, text: str, category, unit):
    assert unit_of(unit_book(tagged), "P01", "", text, category) == unit


@pytest.mark.parametrize(
    ("said", "text", "unit"),
    [
        ("", "Red 7 will not start", "U1"),
        ("12a", "will not start", "U2"),
        ("", "unit 12-B is dark", "U3"),
        ("", "PB/07/2 lost the network", "U4"),
        ("", "417 is jammed, 20 in line", "U5"),
        ("", "12 voters are waiting", None),
    ],
)
def test_a_tag_of_any_make_is_known_whole(units_frame: pl.DataFrame, said: str, text: str, unit: str | None):
    tags = ("RED-7", "12A", "12B", "PB/07/2", "417")
    row = units_frame.filter(pl.col("site_id") == "P01").head(1)
    rows = pl.concat([row] * len(tags)).with_columns(
        unit_id=pl.Series([f"U{i + 1}" for i in range(len(tags))]), serial=pl.Series(tags)
    )
    assert unit_of(unit_book(rows), "P01", said, text, None) == unit


def test_the_end_of_a_serial_in_the_text_tells_of_the_sites_that_the_place_fits(units_frame: pl.DataFrame):
    book = unit_book(units_frame)
    assert sites_called(book, "", "ballot reader serial ending 235 will not turn on") == ("P02",)
    assert sites_called(book, "", "we have read 235 ballots") == ()
