"""Every view opens, at the present and in the past, with rows and without."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from streamlit.proto.WidgetStates_pb2 import WidgetStates
from streamlit.runtime.scriptrunner import get_script_run_ctx
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import data, panels, theme
from pipeline import run
from pipeline.contracts.estimates import Dispatch, Standby
from pipeline.contracts.known import empty
from pipeline.outputs.sheet import sheet
from pipeline.run import Estimated, Writer
from pipeline.store import read
from pipeline.store.book import open_book

APP = Path(dashboard.__file__).with_name("app.py")
VIEWS = {
    "now": "Now",
    "county_map": "Map",
    "lines": "Lines",
    "power": "Power",
    "units": "Units",
    "rovers": "Rovers",
    "tickets": "Tickets",
    "site": "Site",
    "call": "Take a call",
    "report": "Report",
    "opening_closing": "Opening & closing",
    "supplies": "Supplies",
    "counts": "Counts",
    "intake": "Intake",
    "hand_over": "Hand-over",
    "review": "Review",
    "alarms": "Alarms & wall",
}


@pytest.fixture
def open_board(monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    def start(book: Path, at: str | None = None) -> AppTest:
        monkeypatch.setenv("WARDBOOK_BOOK", str(book))
        app = AppTest.from_file(str(APP), default_timeout=60)
        if at:
            app.query_params["at"] = at
        return app.run()

    return start


def said(app: AppTest) -> str:
    """All text of ours on the page."""
    return " ".join(str(element.proto.body) for element in app.get("html"))


def test_a_click_is_not_lost_to_a_drawing_that_is_being_stopped(open_board, book: Path, monkeypatch):
    begun, asked = theme.style_sheet, []

    def while_another_run_puts_its_own_page(*palette: object) -> str:
        context = get_script_run_ctx()
        assert context is not None
        if context.page_script_hash not in asked:
            asked.append(context.page_script_hash)
            context.pages_manager.set_script_intent(asked[0], "")
        return begun(*palette)

    app = open_board(book)
    monkeypatch.setattr(theme, "style_sheet", while_another_run_puts_its_own_page)
    for view in ("lines", "tickets"):
        app = app.switch_page(f"views/{view}.py").run()
        assert not app.exception and [title.value for title in app.title] == [VIEWS[view]]
    assert len(asked) == 2


def test_every_drawing_tells_the_browser_where_the_time_control_stands(open_board, book: Path):
    app = open_board(book, "2026-11-03T09:51:00-06:00")
    for view in ("lines", "tickets"):
        app = app.switch_page(f"views/{view}.py").run()
        app.query_params.clear()  # as a link of the row at the top does
        control = app.segmented_control(key="control")
        assert control.value == "A past time" and control.proto.set_value and "Not live." in said(app)
        app._tree.get_widget_states = WidgetStates  # the next click comes from a browser that has not drawn it yet


def test_the_address_keeps_a_past_moment_so_that_a_lost_session_begins_there_again(open_board, book: Path):
    app = open_board(book, "2026-11-03T09:51:00-06:00").switch_page("views/lines.py").run()
    app.query_params.clear()  # as a link of the row at the top does
    app = app.run()
    named = app.query_params["at"]
    assert "Not live." in said(open_board(book, named)) and "known up to 09:51" in said(app)
    app = app.segmented_control(key="control").set_value("Live").run()
    assert "at" not in app.query_params and "Not live." not in said(app)


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_opens_at_the_present(open_board, book: Path, view: str):
    app = open_board(book).switch_page(f"views/{view}.py").run()
    assert not app.exception
    assert [title.value for title in app.title] == [VIEWS[view]]
    assert "Tern Hollow County" in said(app) and "Tue 3 Nov 2026 10:05 CST" in said(app) and "live" in said(app)
    assert "Results stay unofficial" in said(app)


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_opens_in_the_past(open_board, book: Path, view: str):
    app = open_board(book, "2026-11-03T09:00:00-06:00").switch_page(f"views/{view}.py").run()
    assert not app.exception
    assert "known up to 09:00" in said(app) and "a past moment" in said(app)
    assert "Q-701" not in said(app)  # received at 10:05


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_of_a_county_without_rosters_says_why_it_is_empty(open_board, empty_book: Path, view: str):
    app = open_board(empty_book).switch_page(f"views/{view}.py").run()
    assert not app.exception
    if view != "intake":
        assert "wb-empty" in said(app)
        assert "No " in said(app) or "Nothing" in said(app)


def test_a_board_without_a_book_says_what_to_do(open_board, tmp_path: Path):
    app = open_board(tmp_path / "none")
    assert not app.exception
    assert "nothing has been published" in said(app)


def test_danger_stands_first_and_sends_nobody(open_board, book: Path):
    text = said(open_board(book))
    assert text.index("danger to people") < text.index("check-in line long") < text.index("is recognised")
    assert "Send no rover until it is cleared" in text


def test_a_long_line_is_told_with_interval_cost_proposal_and_caution(open_board, book: Path):
    text = said(open_board(book))
    item = text[text.index("check-in line long") :]
    for part in ("A newcomer waits", "voter-minutes of waiting in", "2 instead of 1", "Nobody is turned away"):
        assert part in item, part


@pytest.mark.parametrize("view", ["now", "lines"])
def test_before_the_doors_open_the_wait_for_them_is_named(open_board, book: Path, view: str):
    before, after = (
        said(open_board(book, f"2026-11-03T{at}:00-06:00").switch_page(f"views/{view}.py").run())
        for at in ("06:30", "10:05")
    )
    assert "Before the doors open" in before and "Before the doors open" not in after


def test_a_rovers_visit_stands_on_the_days_axis_of_its_site(open_board, book: Path):
    app = open_board(book)
    for site, stays in (("P01", ["R1 for Q-704"]), ("P03", [])):
        app.session_state["site"] = site
        app = app.switch_page("views/site.py").run()
        charts = [str(chart.proto) for chart in app.get("vega_lite_chart")]
        assert not app.exception and [s for s in ("R1 for Q-704",) if any(s in chart for chart in charts)] == stays
        assert ("No rover is known to have come here." in said(app)) == (not stays)


def test_what_a_feed_says_is_shown_as_text_not_as_markup(open_board, book: Path):
    app = open_board(book)
    assert "Millrace &lt;b&gt;School&lt;/b&gt;" in said(app) and "Millrace <b>" not in said(app)


def test_a_place_nobody_recognises_and_a_doubtful_trouble_are_asked_about(open_board, book: Path):
    app = open_board(book).switch_page("views/tickets.py").run()
    assert "yellow barn" in said(app) and re.search(r"Which place\?, .+\? \(\d+ % sure\)", said(app))
    table = app.dataframe[0].value
    assert table.loc[table["Ticket"] == "Q-703", "Site"].item() == "place not known"


def test_tickets_can_be_cut_by_words(open_board, book: Path):
    app = open_board(book).switch_page("views/tickets.py").run()
    assert len(app.dataframe[0].value) == 3
    words = next(box for box in app.text_input if box.label == "Words in the ticket")
    app = words.set_value("JAMMED").run()
    assert list(app.dataframe[0].value["Ticket"]) == ["Q-701"]


def test_the_row_in_quarantine_is_shown_with_its_reason(open_board, book: Path):
    app = open_board(book).switch_page("views/intake.py").run()
    row = app.dataframe[0].value.iloc[0]
    assert row["Column"] == "battery_percent" and "100" in row["Reason"]


def test_cautions_on_power_stand_in_full(open_board, book: Path):
    text = said(open_board(book).switch_page("views/power.py").run())
    for part in ("at least 20 ft", "CPSC", "at least 10 ft", "OSHA", "NFPA", "licensed electricians decide"):
        assert part in text, part


def test_units_are_listed_with_how_many_bad_ones_a_day_finds(open_board, book: Path):
    text = said(open_board(book).switch_page("views/units.py").run())
    assert re.search(r"One day misses most bad units: .* about \d+ % of those that count their ballots", text)


def test_no_rover_is_proposed_for_a_place_in_danger(open_board, book: Path):
    app = open_board(book).switch_page("views/rovers.py").run()
    assert "Millrace" not in said(app)
    sheets = [b.label for b in app.get("download_button") if b.label.startswith("Sheet of")]
    assert sheets == ["Sheet of R1", "Sheet of R2"]


def test_the_time_control_leads_into_the_past_and_back(open_board, book: Path):
    app = open_board(book)
    app = app.get("button_group")[0].set_value("A past time").run()
    assert not app.exception and "a past moment" in said(app)
    times = app.selectbox[0]
    app = times.set_value(len(times.options) - 14).run()
    assert not app.exception and "known up to 09:00" in said(app)
    app = app.get("button_group")[0].set_value("Live").run()
    assert "10:05 CST" in said(app) and "a past moment" not in said(app)


def test_an_address_with_a_time_between_those_to_be_chosen_shows_that_very_time(open_board, book: Path):
    app = open_board(book, "2026-11-03T09:02:00-06:00")
    assert not app.exception and "known up to 09:02" in said(app)


def test_an_address_with_a_time_that_is_none_shows_the_present(open_board, book: Path):
    app = open_board(book, "noon")
    assert not app.exception
    assert "10:05 CST" in said(app)


def test_the_present_is_shown_as_published_and_hold_keeps_it(open_board, copied: Path):
    first = datetime(2026, 11, 3, 16, 10, tzinfo=UTC)
    with Writer(open_book(copied), first) as writer:
        writer.publish(first, first)
        app = open_board(copied)
        assert "10:10 CST" in said(app)
        app = app.get("button_group")[0].set_value("Hold").run()
        later = first + timedelta(minutes=20)
        writer.publish(later, later)
        app = app.run()
        assert "10:10 CST" in said(app) and "held" in said(app)
        app = app.get("button_group")[0].set_value("Live").run()
        assert "10:30 CST" in said(app)


def test_the_board_leaves_the_book_as_it_is(open_board, book: Path):
    def state() -> dict[str, tuple[int, int]]:
        return {str(p): (p.stat().st_size, p.stat().st_mtime_ns) for p in sorted(book.rglob("*")) if p.is_file()}

    before = state()
    app = open_board(book)
    for view in VIEWS:
        app.switch_page(f"views/{view}.py").run()
    assert state() == before


def test_while_a_reason_is_open_the_list_keeps_still(open_board, copied: Path):
    first = datetime(2026, 11, 3, 16, 10, tzinfo=UTC)
    with Writer(open_book(copied), first) as writer:
        writer.publish(first, first)
        app = open_board(copied)
        reason = next(key for key in app.session_state._state.filtered_state if str(key).startswith("why-1-"))
        app.session_state[reason] = True
        app = app.run()
        later = first + timedelta(minutes=20)
        writer.publish(later, later)
        app = app.run()
        assert "10:10 CST" in said(app) and "Newer data is there" in said(app)
        app.session_state[reason] = False
        app = app.run()
        assert "10:30 CST" in said(app) and "Newer data" not in said(app)


def test_the_pages_carry_every_estimate_that_a_sheet_asks_for(monkeypatch: pytest.MonkeyPatch, book: Path):
    monkeypatch.setenv("WARDBOOK_BOOK", str(book))
    picture = data.current(datetime(2026, 11, 3, 15, 30, tzinfo=UTC))
    idle = sorted(set(picture.known.rovers["rover_id"]) - set(picture.answer("dispatch")["rover_id"]))
    assert idle
    page = sheet(picture.known, panels.answered(picture), idle[0])
    assert f"No stop is proposed for {idle[0]}" in page and ("Wait where you are" in page or "to wait is near" in page)


@pytest.mark.parametrize("is_told", [True, False])
def test_a_rover_without_a_stop_reads_where_to_wait(open_board, copied: Path, is_told: bool):
    at = datetime(2026, 11, 3, 16, 10, tzinfo=UTC)
    told = pl.DataFrame([("R2", "P02", 23.4)], schema=empty(Standby).schema, orient="row")
    with Writer(open_book(copied), at) as writer:
        frames = run.estimate_all(read.known_at(writer.rows(), at))
        frames |= {"dispatch": empty(Dispatch), "standby": told if is_told else empty(Standby)}
        writer.show(Estimated(at, frames, {}), at)
    where = "near Larkspur Library, about 23 min away" if is_told else "Wait where you are."
    assert where in said(open_board(copied).switch_page("views/rovers.py").run())
    app = open_board(copied)
    app.query_params["rover"] = "R2"
    assert where in said(app.run())


def test_the_choice_of_past_times_grows_while_a_past_moment_is_kept(copied: Path, monkeypatch, tmp_path: Path):
    monkeypatch.setenv("WARDBOOK_BOOK", str(copied))
    then = datetime(2026, 11, 3, 15, 30, tzinfo=UTC)
    before = data.current(then)
    later = tmp_path / "lines-1100.csv"
    later.write_text("site_id,at,checkin_line,scanner_line\nP02,2026-11-03T10:55:00,4,0\n")
    received = datetime(2026, 11, 3, 17, tzinfo=UTC)
    run.take([later], copied, received, received=received)
    after = data.current(then)
    assert after.known is before.known  # kept: nothing that came had been received by then
    assert data.moments(before)[-1] < received and data.moments(after)[-1] == received
    assert after.version > before.version
