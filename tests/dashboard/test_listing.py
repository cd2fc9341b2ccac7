"""Tables of any length."""

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import data, listing

APP = Path(dashboard.__file__).with_name("app.py")
ROWS = pl.DataFrame({"Site": ["Alder Hall", "Birch Hall", "Larkspur Library"], "State": ["open", None, "OPEN late"]})


@pytest.fixture
def lines(monkeypatch: pytest.MonkeyPatch, book: Path) -> Callable[[int], AppTest]:
    """The page of the lines, on which tables longer than so many rows are cut."""

    def start(most: int) -> AppTest:
        monkeypatch.setenv(data.ENVIRONMENT, str(book))
        monkeypatch.setattr(listing, "MOST", most)
        return AppTest.from_file(str(APP), default_timeout=60).run().switch_page("views/lines.py").run()

    return start


def said(app: AppTest) -> str:
    return " ".join(str(element.proto.body) for element in app.get("html"))


def test_a_short_table_is_shown_whole_and_asks_nothing(lines):
    app = lines(listing.MOST)
    assert len(app.dataframe[0].value) == 6  # two lines at each of three sites
    assert "find-lines-table" not in [box.key for box in app.text_input]


def test_of_a_long_table_the_worst_rows_are_shown_and_how_many_more_there_are(lines):
    whole = lines(listing.MOST).dataframe[0].value
    app = lines(2)
    assert app.dataframe[0].value.equals(whole.head(2))
    assert "The first 2 of 6 rows, the longest waits first. The other 4 are found by their words" in said(app)
    assert "Download lines (CSV)" in [button.label for button in app.get("download_button")]


def test_every_row_of_a_long_table_is_found_by_its_words_or_shown_by_the_switch(lines):
    whole = lines(listing.MOST).dataframe[0].value
    app = lines(2)
    last = whole.iloc[-1]
    find = app.text_input(key="find-lines-table")
    app = find.set_value(last["Site"].upper()).run()
    assert app.dataframe[0].value.equals(whole[whole["Site"] == last["Site"]].reset_index(drop=True))
    assert "2 of 6 rows have these words." in said(app)  # both of its lines
    app = app.text_input(key="find-lines-table").set_value("line").run()
    assert len(app.dataframe[0].value) == 2 and "6 of 6 rows have these words; the first 2 are shown." in said(app)
    app = app.text_input(key="find-lines-table").set_value("no such place").run()
    assert not app.dataframe and "0 of 6 rows have these words." in said(app)
    app = app.text_input(key="find-lines-table").set_value("").run()
    app = app.toggle(key="all-lines-table").set_value(True).run()
    assert app.dataframe[0].value.equals(whole) and "All 6 rows" in said(app)


def test_words_are_found_in_any_column_and_all_must_be_there():
    assert listing.with_words(ROWS, ["open"])["Site"].to_list() == ["Alder Hall", "Larkspur Library"]
    assert listing.with_words(ROWS, ["LATE", "lark"])["Site"].to_list() == ["Larkspur Library"]
    assert listing.with_words(ROWS, ["hall", "late"]).is_empty()
    assert listing.with_words(ROWS, ["(open"]).is_empty()  # plain words, no pattern


def test_what_is_worked_out_for_a_cut_table_is_no_more_than_it_shows():
    asked: list[int | None] = []

    def make(most: int | None) -> pl.DataFrame:
        asked.append(most)
        return listing.head(ROWS, most)

    assert AppTest.from_function(one_table, kwargs={"make": make, "total": 10_000}).run().dataframe
    assert asked == [listing.MOST]


def one_table(make, total):
    from dashboard import listing

    listing.table(make, total, "some", "the longest first")


@pytest.mark.parametrize("view", sorted(path.stem for path in APP.with_name("views").glob("*.py")))
def test_every_view_opens_with_its_tables_cut(monkeypatch: pytest.MonkeyPatch, book: Path, view: str):
    monkeypatch.setenv(data.ENVIRONMENT, str(book))
    monkeypatch.setattr(listing, "MOST", 1)
    app = AppTest.from_file(str(APP), default_timeout=60).run().switch_page(f"views/{view}.py").run()
    assert not app.exception
    for key in [box.key for box in app.text_input if str(box.key).startswith("find-")]:
        table = str(key).removeprefix("find-")
        app = app.toggle(key=f"all-{table}").set_value(True).run()
        assert not app.exception, table


def test_a_ticket_that_has_just_come_is_seen_though_others_put_more_at_risk(
    monkeypatch: pytest.MonkeyPatch, book: Path
):
    monkeypatch.setenv(data.ENVIRONMENT, str(book))
    monkeypatch.setattr(listing, "MOST", 1)
    app = AppTest.from_file(str(APP), default_timeout=60).run().switch_page("views/tickets.py").run()
    text = said(app)
    newest = text[text.index("The newest 5 of them:") :]
    assert newest.index("Q-703") < newest.index("Q-702") < newest.index("Q-701")  # opened 9:55, 9:52, 9:50
    assert len(app.dataframe[0].value) == 1
