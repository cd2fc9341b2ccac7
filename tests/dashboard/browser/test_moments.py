"""Every page at every moment of a day, and of books that know nothing or were fed badly: it opens, and says what it should.

Figures on the page are held to the answers of `estimate` at the same time, from the same book.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from dashboard.navigation import VIEWS
from pipeline import run
from pipeline.board import Board
from pipeline.estimates import Answers
from pipeline.store import read
from pipeline.store.book import Book

sync_api = pytest.importorskip("playwright.sync_api")

BAD_DAY = Path(__file__).parents[3] / "demo_data" / "bad"
MOMENTS = {  # local time of the demo day
    "before opening": "2026-11-03T06:40:00-05:00",
    "noon": "2026-11-03T12:00:00-05:00",
    "late": "2026-11-03T19:50:00-05:00",
    "closing": "2026-11-03T20:10:00-05:00",
    "next morning": "2026-11-04T07:00:00-05:00",
}
FAULTLESS = {"noon": "light", "closing": "dark"}  # moments at which every page is checked for anybody, in which theme
READABLE_PX = 300  # least width of a heading that somebody can see
PRESENT_ONLY = ("call", "report", "alarms")  # pages that write


def count(frame: pl.DataFrame, column: str, value: str) -> int:
    return frame.filter(pl.col(column) == value).height


def of_now(answers: Answers) -> list[str]:
    lines, power = answers.lines, answers.power
    waiting = f"{round(float(lines['waiting_mean'].sum())):,} (" if lines.height else "no line is open"
    return [waiting, f"{count(power, 'supply', 'battery')}\non battery", f"{count(power, 'supply', 'dark')} dark"]


def of_lines(answers: Answers) -> list[str]:
    found = answers.lines.filter(pl.col("line") == "checkin").sort("wait_minutes_median", descending=True)
    if found.is_empty():
        return ["No line is open"]
    row = found.row(0, named=True)
    return [f"{row['waiting_median']:,.0f} ({row['waiting_low']:,.0f}–{row['waiting_high']:,.0f}) waiting"]


def of_power(answers: Answers) -> list[str]:
    power = answers.power
    return [f"{count(power, 'supply', 'dark')}\nunits dark", f"of {power.height} units: supply unknown"]


def of_units(answers: Answers) -> list[str]:
    found = answers.repeats
    confirmed = count(found, "standing", "confirmed")
    return [f"{confirmed}\nunits confirmed", f"{found['faults'].sum():.0f}\nfaults so far, each counted once"]


def of_rovers(answers: Answers) -> list[str]:
    stops = answers.dispatch.filter(pl.col("stop") == 1)
    sites = dict(answers.known.sites.select("site_id", "name").iter_rows())
    return [f"{r} ·" for r in answers.known.rovers["rover_id"]] + [f"{sites[s]} ·" for s in stops["site_id"]]


def of_tickets(answers: Answers) -> list[str]:
    live = answers.tickets.filter(pl.col("status") != "resolved")
    return [f"{live.height}\nnot resolved", f"{count(live, 'status', 'open')}\nof them given to nobody"]


def of_steps(answers: Answers) -> list[str]:
    found = answers.milestones
    return [f"{count(found, 'standing', s):,}\n{said}" for s, said in (("overdue", "▲ steps overdue"), ("done", "✓"))]


def of_supplies(answers: Answers) -> list[str]:
    return [f"{count(answers.supplies, 'state', 'out')}\nreported out now"]


def of_counts(answers: Answers) -> list[str]:
    missing = answers.known.sites.height - answers.reconciliation.height
    told = answers.reconciliation.height
    return [f"{missing}\nsites have not reported"] if told else ["No site has reported its end-of-day counts yet"]


def of_map(answers: Answers) -> list[str]:
    out = answers.known.outages.filter(pl.col("restored_at").is_null())
    return ["Most at stake", *out["circuit"]] if out.height else ["The utility lists no circuit as out"]


SAID: dict[str, Callable[[Answers], list[str]]] = {  # page → what has to stand on it
    "now": of_now, "map": of_map, "lines": of_lines, "power": of_power, "units": of_units, "rovers": of_rovers,
    "tickets": of_tickets, "opening-closing": of_steps, "supplies": of_supplies, "counts": of_counts,
    "site": lambda answers: ["Tickets", "Visits", "Power"],
    "intake": lambda answers: ["rows read", "By feed"],
    "hand-over": lambda answers: ["Save the hand-over to print"],
    "review": lambda answers: ["Save the review"],
}  # fmt: skip


@pytest.fixture(scope="module", params=MOMENTS)
def moment(request, new_page, demo_book: Path) -> Iterator[tuple]:
    """A page, the part of an address that says a moment of the demo day, and what `estimate` answers then."""
    with read.Snapshot(Book(demo_book).published) as snapshot:
        rows, newest = read.read_rows(snapshot.con), read.newest_receipt(snapshot.con)
    at = min(datetime.fromisoformat(MOMENTS[request.param]).astimezone(UTC), newest)
    page, said = new_page(FAULTLESS.get(request.param, "light")), f"at={at.isoformat().replace('+', '%2B')}"
    return page, said, Answers(read.known_at(rows, at)), request.param.replace(" ", "-")


@pytest.mark.parametrize("path", VIEWS)
def test_a_page_says_of_a_moment_what_estimate_says(there, moment, demo_board: str, path: str):
    page, at, answers, name = moment
    page.broken.clear()
    there.open_view(page, f"{demo_board}/{path}?{at}", VIEWS[path].title)
    assert page.locator('[data-testid="stException"]').count() == 0
    text = there.said(page)
    assert "Not live." in text
    for part in ["This is a past moment"] if path in PRESENT_ONLY else SAID[path](answers):
        assert part in text, part
    assert page.broken == []
    assert name not in FAULTLESS or there.faults(page) == []
    there.keep_shot(page, f"demo-{path}-{name}")


def test_a_moment_stays_while_somebody_goes_from_page_to_page(there, new_page, demo_board: str):
    page = new_page()
    there.open_view(page, f"{demo_board}/now?at=2026-11-03T12:00:00-05:00", "Now")
    for path in ("map", "lines", "opening-closing", "now"):
        there.go(page, demo_board, path)
        assert "Not live." in there.said(page)
    assert page.broken == []


@pytest.fixture(scope="module")
def bare_board(empty_book: Path, chromium: str, there) -> Iterator[str]:
    with Board(empty_book, there.free_port()) as running:
        running.wait_ready()
        yield running.address


@pytest.fixture(scope="module")
def bad_board(tmp_path_factory: pytest.TempPathFactory, chromium: str, there) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("books") / "bad"
    run.take([p for p in BAD_DAY.iterdir() if p.suffix != ".md"], folder, datetime(2026, 11, 4, tzinfo=UTC))
    with Board(folder, there.free_port()) as running:
        running.wait_ready()
        yield running.address


NOTHING = {  # what a page says while nothing is known
    "now": "no line is open", "map": "No site is known yet", "rovers": "No rover is known yet",
    "opening-closing": "No step is known yet", "counts": "No site has reported its end-of-day counts yet",
    "hand-over": "No site is known yet",
}  # fmt: skip


@pytest.mark.parametrize("path", VIEWS)
def test_a_page_of_a_book_that_knows_nothing_opens_and_says_so(there, page, bare_board: str, path: str):
    page.broken.clear()
    there.go(page, bare_board, path)
    assert page.locator('[data-testid="stException"]').count() == 0
    assert NOTHING.get(path, VIEWS[path].title) in there.said(page)
    assert page.broken == []


@pytest.mark.parametrize("path", VIEWS)
def test_a_page_of_a_book_of_broken_feeds_opens_and_intake_says_what_was_refused(
    there, page, bad_board: str, path: str
):
    page.broken.clear()
    there.go(page, bad_board, path)
    assert page.locator('[data-testid="stException"]').count() == 0
    assert path != "intake" or "went to quarantine" in there.said(page)
    assert page.broken == []


def test_why_leads_to_the_page_that_tells_how_a_figure_comes_about(there, new_page, demo_board: str):
    page = new_page()
    there.open_view(page, f"{demo_board}/power?at=2026-11-03T12:00:00-05:00", "Power")
    page.get_by_text("Why these numbers").first.click()
    there.settle(page)
    leads = page.get_by_role("link", name="how this comes about and where it fails").get_attribute("href")
    there.open_view(page, f"{demo_board}/{leads}", "Methods")
    assert page.get_by_role("heading", name="Power", exact=True).bounding_box()["width"] > READABLE_PX
    assert "EIA" in there.said(page)
    there.open_view(page, f"{demo_board}/methods", "Methods")
    page.get_by_role("link", name="methods/dispatch.md").first.click()
    assert page.broken == []
