"""Which site a caller means."""

import polars as pl
import pytest

from pipeline.normalise.gazetteer import gazetteer, read_precinct
from pipeline.normalise.place_words import place_tokens
from pipeline.normalise.places import site_of
from pipeline.normalise.places_told import named_in, words_beside

SURE = 0.8


@pytest.mark.parametrize(
    ("said", "site"),
    [
        ("P04", "P04"),
        ("Marlpit Elementary School", "P01"),
        ("marlpit elem.", "P01"),
        ("Marlpit", "P01"),  # one word of one site, in a county of few
        ("MARLPIT ES (gym)", "P01"),
        ("Marplit Elemntary", "P01"),
        ("marlpit grade school", "P01"),
        ("the elementary on Tallow", "P01"),
        ("14 Tallow Ln", "P01"),
        ("pct 44-A", "P01"),
        ("pct# 44b", "P01"),
        ("P44-A", "P01"),
        ("precinct 45", "P02"),
        ("prec 045", "P02"),
        ("Oxbow Lib.", "P02"),
        ("the library at Ferry", "P02"),
        ("old oxbow", "P03"),
        ("the church on Sedge", "P03"),
        ("Saint Wendreda FH", "P04"),
        ("st wendrda", "P04"),
        ("9 North Larkspur Ave", "P04"),
        ("N. Cindermoor H.S.", "P05"),
        ("south cindermoor high", "P06"),
        ("So. Cindermoor HS", "P06"),
        ("FD#3", "P07"),
        ("fire dept 3", "P07"),
        ("Station three", "P07"),
        ("fs13", "P08"),
        ("Fire Sta. No. 13", "P08"),
        ("vintner vet's hall", "P09"),
        ("the vets hall on 9th", "P09"),
        ("Vintner Commty Center", "P10"),
        ("VintnerVeterans", "P09"),
        ("Oxbow Library / story room", "P02"),
        ("NCHS", "P05"),
        ("marlpitelementaryschool", "P01"),
        ("fire station one three", "P08"),
        ("station thirteen", "P08"),
        ("N. C. High School", "P05"),
        ("M. Elementary", "P01"),
    ],
)
def test_a_place_is_known_however_it_is_said(sites: pl.DataFrame, said: str, site: str):
    found, sure = site_of(gazetteer(sites), said)
    assert (found, sure >= SURE) == (site, True)


@pytest.mark.parametrize(
    "said",
    [
        "",
        "unknown",
        "the library downtown on Willow",
        "Cindermoor High School",
        "Vintner",
        "fire station",
        "Station 7",
        "pct 99",
        "hall",
    ],
)
def test_a_name_that_two_places_share_or_none_has_is_asked_about(sites: pl.DataFrame, said: str):
    assert site_of(gazetteer(sites), said)[1] < SURE


def test_the_unit_named_settles_a_name_that_two_places_share(sites: pl.DataFrame):
    assert site_of(gazetteer(sites), "Cindermoor High School", ("P06",))[0] == "P06"
    assert site_of(gazetteer(sites), "Cindermoor High School", ("P06",))[1] >= SURE


def test_old_new_and_directions_are_never_filler(sites: pl.DataFrame):
    book = gazetteer(sites)
    assert site_of(book, "oxbow library")[0] != site_of(book, "old oxbow hall")[0]
    assert site_of(book, "north cindermoor")[0] != site_of(book, "south cindermoor")[0]


def test_an_empty_roster_answers_no_site(sites: pl.DataFrame):
    assert site_of(gazetteer(sites.clear()), "Oxbow Library") == (None, 0.0)


def test_the_order_of_the_roster_changes_nothing(sites: pl.DataFrame):
    for said in ("Vintner", "the rec on Tallow", "oxbow"):
        assert site_of(gazetteer(sites), said) == site_of(gazetteer(sites.reverse()), said)


@pytest.mark.parametrize(("text", "key"), [("044-A", "44a"), ("44 a", "44a"), ("019", "19"), ("019-2", "19-2")])
def test_a_precinct_has_one_form(text: str, key: str):
    assert read_precinct(text) == key


@pytest.mark.parametrize(
    ("said", "text", "site"),
    [
        ("", "this is marlpit elem, the scanner is jammed", "P01"),
        ("", "hello from St Wendreda fire house", "P04"),
        ("cindermoor", "at the South Cindermoor High School, poll book froze", "P06"),
        ("cindermoor", "poll book froze", None),
        ("", "nobody opened the school library", None),
        ("", "", None),
    ],
)
def test_where_the_place_is_in_doubt_a_name_in_the_text_tells(
    sites: pl.DataFrame, said: str, text: str, site: str | None
):
    book = gazetteer(sites)
    found, sure = site_of(book, said, (), named_in(book, text))
    assert (found if sure >= SURE else None) == site


def test_a_place_whose_name_is_one_word_elsewhere_is_told_from_it(sites: pl.DataFrame):
    names = ["Lakeview Baptist Church", "Lake View Senior Center", *sites["name"][2:]]
    rows = sites.with_columns(name=pl.Series(names), aliases=pl.lit(None, dtype=pl.String))
    book = gazetteer(rows)
    for said, at in (("lake view sr", 1), ("lk view snr", 1), ("lake view baptist", 0), ("LakeView Sr Ctr", 1)):
        found, sure = site_of(book, said)
        assert found == rows["site_id"][at], said
        assert sure >= SURE, said


@pytest.fixture
def townships(sites: pl.DataFrame) -> pl.DataFrame:
    """A roster whose precincts are called by words, with a name that people run together."""
    rows = [
        ("Q01", "Burdock Grange Hall", "Grange", "1 Mill Street Sallow", "Sallow 1"),
        ("Q02", "Harrow Farmers Co-op", "", "2 Scale Road Harrow", "Sallow 2;Harrow Township"),
        ("Q03", "Sallow Village Office", "Sallow", "3 Bridge Street Sallow", "Sallow 3;Sallow 4"),
        ("Q04", "Temperance Hall", "Temperance", "4 Oak Street Sallow", "Sallow 5"),
    ]
    names = ("site_id", "name", "aliases", "address", "precincts")
    return pl.DataFrame(
        [{n: dict(zip(names, row, strict=True)).get(n) for n in sites.columns} for row in rows], schema=sites.schema
    )


@pytest.mark.parametrize(
    ("said", "site"),
    [
        ("Sallow 2", "Q02"),
        ("sallow three", "Q03"),
        ("Sallow 3 & 4", "Q03"),
        ("Harrow Township", "Q02"),
        ("the coop", "Q02"),
        ("Harrow coop", "Q02"),
        ("Sallow", "Q03"),
    ],
)
def test_a_precinct_called_by_words_is_known_and_so_is_a_name_run_together(townships: pl.DataFrame, said, site):
    found, sure = site_of(gazetteer(townships), said)
    assert (found, sure >= SURE) == (site, True)


def test_of_two_places_named_in_a_text_the_one_that_lies_in_the_other_is_meant(townships: pl.DataFrame):
    book = gazetteer(townships)
    assert {book.places[i].site_id for i in named_in(book, "Temperance in Sallow, it hands them back")} == {"Q04"}
    assert {book.places[i].site_id for i in named_in(book, "from Temperance, the Grange called us")} == {"Q04", "Q01"}


def test_where_no_name_stands_in_a_text_its_precinct_tells(townships: pl.DataFrame, sites: pl.DataFrame):
    book = gazetteer(townships)
    assert {book.places[i].site_id for i in named_in(book, "down to six forms for Sallow 5")} == {"Q04"}
    assert {book.places[i].site_id for i in named_in(book, "page 5 of the sheet for Burdock Grange Hall")} == {"Q01"}
    book = gazetteer(sites)
    assert {book.places[i].site_id for i in named_in(book, "precinct 45 here, no forms left")} == {"P02"}
    book = gazetteer(sites.with_columns(room=pl.lit("Quillfeather Room")).head(1))
    assert {book.places[i].site_id for i in named_in(book, "chewing them up, in the Quillfeather Room")} == {"P01"}
    assert not named_in(book, "see p 45 of the guide")


def test_a_cord_is_no_county_road():
    assert place_tokens("Cordova Hall") == ("cordova", "hall")
    assert place_tokens("Cordova TH") == place_tokens("Cordova Town Hall") and "th" in place_tokens("the 4 th")
    assert place_tokens("co rd 7") == place_tokens("County Road 7") == ("countyroad", "7")


def test_a_part_of_a_name_in_a_text_tells_the_place_where_no_whole_one_stands(townships: pl.DataFrame):
    book = gazetteer(townships)
    assert {book.places[i].site_id for i in named_in(book, "hello, Harrow Farmers here")} == {"Q02"}
    assert {book.places[i].site_id for i in named_in(book, "the Village Office, we are one short")} == {"Q03"}
    assert not named_in(book, "the hall at the fire station")  # kinds of place alone
    assert not named_in(book, "the farmers came early")


@pytest.mark.parametrize(
    ("said", "text", "site"),
    [
        ("unknown", "a line is down across Ferry Rd just before the polling place", None),
        ("not given", "Sedge Rd, poll book froze", "P03"),
        ("not given", "Tallow Lane, poll book froze", None),  # two places lie there
        ("cindermoor", "the north gym, poll book froze", None),
    ],
)
def test_a_street_named_whole_in_a_text_tells_the_place(sites: pl.DataFrame, said: str, text: str, site: str | None):
    book = gazetteer(sites)
    found, sure = site_of(book, said, (), named_in(book, text), words_beside(book, text))
    assert (found if sure >= SURE else None) == site


@pytest.mark.parametrize(
    ("said", "text", "site"),
    [
        ("Roosevelt", "middle sch gym, the bin is full", "R1"),
        ("Roosevelt", "at the elementary, kids' library", "R2"),
        ("Roosevelt", "the bin is full", None),
        ("Roosevelt", "in the lobby, the bin is full", "R1"),
        ("school, 15 & 16", "", "R2"),
        ("34/35", "", "R1"),
        ("15 and 34", "", None),
        ("the old dept", "", None),
    ],
)
def test_words_beside_and_precincts_together_tell_which_of_two_places(sites: pl.DataFrame, said, text, site):
    rows = sites.head(2).with_columns(
        site_id=pl.Series(["R1", "R2"]),
        name=pl.Series(["Roosevelt Middle School", "Roosevelt Elementary School"]),
        aliases=pl.lit(None, dtype=pl.String),
        address=pl.Series(["1100 Grant Ave", "615 Depot St"]),
        precincts=pl.Series(["34;35", "15;16"]),
        room=pl.Series(["Lobby", "Library"]),
    )
    book = gazetteer(rows)
    found, sure = site_of(book, said, (), named_in(book, text), words_beside(book, text))
    assert (found if sure >= SURE else None) == site


@pytest.mark.parametrize(
    ("text", "site"),
    [("it is the north one", "N"), ("South campus. bin is full", "S"), ("the north door is locked", None)],
)
def test_a_direction_tells_the_place_where_it_is_said_of_the_place(sites: pl.DataFrame, text: str, site: str | None):
    rows = sites.head(2).with_columns(
        site_id=pl.Series(["N", "S"]),
        name=pl.Series(["Tolman College North Campus", "Tolman College South Campus"]),
        aliases=pl.lit(None, dtype=pl.String),
        address=pl.lit(None, dtype=pl.String),
        precincts=pl.lit(None, dtype=pl.String),
    )
    book = gazetteer(rows)
    found, sure = site_of(book, "the college", (), named_in(book, text), words_beside(book, text))
    assert (found if sure >= SURE else None) == site


@pytest.fixture
def odd_sites(sites: pl.DataFrame) -> pl.DataFrame:
    """Ids that are words of names or numbers of houses, and streets called as a kind of street is."""
    rows = (
        ("WREN", "Wren Academy", "", "1515 Wren Boulevard"),
        ("WRBR", "Wren Boulevard Recreation Center", "Wren Rec", "1701 Wren Boulevard"),
        ("102", "Sorrel Middle School", "Sorrel MS", "8 Sorrel Way"),
        ("116", "Teasel Hall", "", "102 Alder Street"),
        ("117", "County Annex", "", "60 Court St"),
        ("118", "Longhouse Annex", "", "12 Longhouse Rd"),
        ("119", "Vetch North Library", "Vetch North", "1450 Vetch Avenue"),
        ("120", "Vetch South Library", "Vetch South", "90 Vetch Avenue"),
        ("121", "Main Library", "", "100 Square Lane"),
        ("122", "Westbank Library", "", "7 Levee Road"),
    )
    ids, names, aliases, addresses = (pl.Series(values) for values in zip(*rows, strict=True))
    empty = pl.lit("", pl.String)
    frame = sites.head(len(rows)).with_columns(site_id=ids, name=names, aliases=aliases, address=addresses)
    return frame.with_columns(room=empty, precincts=empty)


@pytest.mark.parametrize(
    ("said", "text", "site"),
    [
        ("WREN", "", "WREN"),
        ("Wren rec", "", "WRBR"),
        ("the rec ctr on wren blvd", "", "WRBR"),
        ("102", "", "102"),
        ("102 Alder Street", "", "116"),
        ("102 Adler", "", "116"),
        ("102 Sorrel Middle", "", "102"),
        ("Court St", "", "117"),
        ("Annex, Court st", "", "117"),
        ("Vetch Library", "it is the library by the lake end, South.", "120"),
        ("Vetch Library", "we are NORTH", "119"),
        ("Library", "The main one downtown, not Westbank. The bag is open", "121"),
    ],
)
def test_what_may_be_an_id_a_street_or_a_direction_is_taken_by_what_stands_beside_it(odd_sites, said, text, site):
    book = gazetteer(odd_sites)
    found, sure = site_of(book, said, (), named_in(book, text), words_beside(book, text))
    assert found == site and sure > SURE, (found, sure)


@pytest.mark.parametrize(
    ("said", "text"), [("Annex", ""), ("Vetch Library", "at the door, north of the gym"), ("St", "")]
)
def test_what_tells_nothing_of_two_places_is_asked_about(odd_sites: pl.DataFrame, said: str, text: str):
    book = gazetteer(odd_sites)
    assert site_of(book, said, (), named_in(book, text), words_beside(book, text))[1] < SURE
