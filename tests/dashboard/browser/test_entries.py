"""What people enter at the board, in a real browser: it arrives, in the log, in the estimates and on other screens."""

import json
import time
from datetime import UTC, datetime
from pathlib import Path

import duckdb

from pipeline.estimates import Answers
from pipeline.store import read
from pipeline.store.book import Book

ROUND_SECONDS = 5.0  # a new entry is on every open screen within this long of its file's arrival
ROOM = 4.0  # how much slower than promised a busy machine may be before a test says so
NAMES = (
    "(e => [e.ariaLabel, e.innerText.trim(), e.getAttribute('role')])(document.activeElement)"  # of what has the focus
)
TRICKS = "scanner jammed <script>alert(1)</script> =1+1 🗳 <b>tray</b>"


def await_first_estimates(folder: Path, patience: float) -> None:
    """On a fresh installation the first estimates wait for the loops to be compiled; later ones come as promised."""
    end = time.monotonic() + patience
    while time.monotonic() < end:
        with read.Snapshot(Book(folder).published) as snapshot:
            if snapshot.estimate("lines") is not None:
                return
        time.sleep(0.5)
    raise AssertionError(f"no estimates after {patience:.0f} s")


def test_a_call_typed_in_the_browser_is_in_the_log_in_the_estimate_and_on_another_screen(there, new_page, live):
    address, folder = live
    page, other = new_page(), new_page()
    there.open_view(other, f"{address}/now", "Now")
    there.open_view(page, f"{address}/call", "Take a call")
    await_first_estimates(folder, there.patience_seconds)
    there.say_who(page, "Ada Finch")
    there.pick(page, page.get_by_role("combobox").first, "sedg", "Sedge Hall (P1)")
    page.get_by_label("What the caller says").fill(TRICKS)
    page.wait_for_selector("text=Proposed, by the words")
    assert "scanner jams" in there.said(page).lower()
    assert "two people present" in there.said(page)  # the caution stands beside the questions
    page.get_by_role("button", name="Save the call").click()
    began = time.monotonic()
    page.wait_for_selector("text=waiting")
    other.wait_for_selector("text=/W-\\d{4}-/")
    seconds = time.monotonic() - began
    assert seconds <= ROUND_SECONDS * ROOM, f"{seconds:.1f} s"
    page.wait_for_selector("text=✓ received")
    with read.Snapshot(Book(folder).published) as snapshot:
        rows = read.read_rows(snapshot.con)
        published = snapshot.estimate("tickets")
        bodies = " ".join(b for (b,) in snapshot.con.sql("select body from log").fetchall())
    assert published is not None and published["site_id"].to_list() == ["P1"]
    known = read.known_at(rows, datetime.now(UTC))
    assert known.tickets["text"].to_list() == [TRICKS]
    assert Answers(known).tickets["category"].to_list() == ["scanner-jam"]
    assert "Finch" not in bodies
    assert page.broken == [] and other.broken == []
    assert page.locator("script", has_text="alert(1)").count() == 0


def test_a_call_told_twice_is_warned_of_before_it_is_saved(there, new_page, live):
    address, _ = live
    page = new_page()
    there.open_view(page, f"{address}/call", "Take a call")
    there.pick(page, page.get_by_role("combobox").first, "sedg", "Sedge Hall (P1)")
    page.get_by_label("What the caller says").fill(TRICKS)
    page.wait_for_selector("text=This seems to be known")
    assert page.get_by_role("button", name="Save as a new call all the same").count() == 1


def test_one_press_sends_a_rover_and_another_takes_it_back(there, new_page, live):
    address, folder = live
    page = new_page()
    there.open_view(page, f"{address}/now", "Now")
    there.say_who(page, "Lou Marsh")
    page.locator('[class*="st-key-press-"] button').filter(has_text="Send R1").or_(
        page.locator('[class*="st-key-press-"] button').filter(has_text="Called back")
    ).first.click()
    page.wait_for_selector("text=waits for its receipt")
    until = time.monotonic() + there.patience_seconds
    status: list = []
    while time.monotonic() < until and status != ["assigned"]:
        time.sleep(0.5)
        with read.Snapshot(Book(folder).published) as snapshot:
            status = read.known_at(read.read_rows(snapshot.con), datetime.now(UTC)).tickets["status"].to_list()
    assert status == ["assigned"]


def test_a_rover_says_it_is_fixed_from_its_telephone(there, new_page, live):
    address, folder = live
    phone = new_page(size=(360, 740))
    there.open_view(phone, f"{address}/now?rover=R1", "Rover R1")
    phone.get_by_role("button", name="Fixed").click()
    phone.wait_for_selector("text=✓ received")  # "waiting" stands there too briefly to be sure of seeing it
    with read.Snapshot(Book(folder).published) as snapshot:
        assert read.known_at(read.read_rows(snapshot.con), datetime.now(UTC)).entries.height >= 2


def test_half_a_form_keeps_nothing_and_says_what_is_missing(there, new_page, live):
    address, folder = live
    page = new_page()
    there.open_view(page, f"{address}/report", "Report")
    there.say_who(page, "Ada Finch")
    with duckdb.connect(str(Book(folder).published), read_only=True) as con:
        before = con.sql("select count(*) from log where kind = 'line-counts'").fetchall()
    page.get_by_label("People waiting for check-in").fill("12")
    page.get_by_role("button", name="Save", exact=True).click()
    page.wait_for_selector("text=Still needed: the place")
    assert not list(Book(folder).inbox.glob("entries-*"))
    with duckdb.connect(str(Book(folder).published), read_only=True) as con:
        assert con.sql("select count(*) from log where kind = 'line-counts'").fetchall() == before


def test_an_entry_made_while_the_writer_is_away_waits_in_the_inbox(there, new_page, board: str, book: Path):
    page = new_page()
    there.open_view(page, f"{board}/report", "Report")
    there.say_who(page, "Ada Finch")
    there.pick(
        page, page.locator('[data-testid="stForm"]').get_by_role("combobox").first, "larksp", "Larkspur Library (P02)"
    )
    page.get_by_label("People waiting for check-in").fill("31")
    page.get_by_role("button", name="Save", exact=True).click()
    page.wait_for_selector("text=◌ waiting")
    try:
        lines = [json.loads(p.read_text()) for p in Book(book).inbox.glob("entries-board-*.jsonl")]
        assert [(e["action"], e["target"], json.loads(e["values"])["checkin_line"]) for e in lines] == [
            ("line-count", "P02", 31)
        ]
    finally:
        for path in Book(book).inbox.glob("entries-board-*.jsonl"):
            path.unlink()


def test_a_call_is_taken_by_keyboard_alone(there, new_page, live):
    address, folder = live
    page = new_page()
    there.open_view(page, f"{address}/now", "Now")

    def on_to(name: str) -> None:
        """The tabulator until something of that name or role is reached."""
        for _ in range(100):
            page.keyboard.press("Tab")
            if name in page.evaluate(NAMES):
                return
        raise AssertionError(f"{name} is not reached by keyboard")

    on_to("Take a call")
    page.keyboard.press("Enter")
    there.settle(page, "Take a call")
    on_to("Who enters")
    page.keyboard.type("Bo Wren")
    page.keyboard.press("Enter")
    there.settle(page)
    on_to("combobox")  # its name holds more than its label
    page.keyboard.type("teas")
    page.keyboard.press("Enter")
    there.settle(page)
    on_to("What the caller says")
    page.keyboard.type("the laptop for signing in voters is frozen")
    page.wait_for_selector("text=Proposed, by the words")
    on_to("Save the call")
    page.keyboard.press("Enter")
    until, told = time.monotonic() + there.patience_seconds, []
    while time.monotonic() < until and not told:
        time.sleep(0.5)
        with read.Snapshot(Book(folder).published) as snapshot:
            known = read.known_at(read.read_rows(snapshot.con), datetime.now(UTC))
        told = known.tickets.filter(known.tickets["text"].str.contains("is frozen")).to_dicts()
    assert [t["site"] for t in told] == ["Teasel School (P2)"]
