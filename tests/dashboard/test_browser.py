"""The board in a real browser: every page opens, nothing fails, no request leaves this machine, and entries arrive."""

import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import duckdb
import polars as pl
import pytest

from pipeline import run
from pipeline.board import Board
from pipeline.demo import day_folder
from pipeline.estimates import Answers
from pipeline.store import read
from pipeline.store.book import Book

sync_api = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")
PAGES = {
    "now": "Now",
    "map": "Map",
    "lines": "Lines",
    "power": "Power",
    "units": "Units",
    "rovers": "Rovers",
    "tickets": "Tickets",
    "site": "Site",
    "call": "Take a call",
    "report": "Report",
    "opening-closing": "Opening & closing",
    "supplies": "Supplies",
    "counts": "Counts",
    "intake": "Intake",
    "hand-over": "Hand-over",
    "review": "Review",
    "alarms": "Alarms & wall",
}
SWITCHES = [  # no sandbox in containers, no graphics card, and no calls home
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE_MS = 120_000
ROUND_SECONDS = 5.0  # a new entry is on every open screen within this long of its file's arrival
ROOM = 4.0  # how much slower than promised a busy machine may be before a test says so
SHOTS = Path(__file__).parent / "shots"  # ignored by git; CI keeps it
BASE_PATH = (
    "_stcore/health",
    "_stcore/host-config",
)  # Streamlit looks for its root under each address, and is told 404


@pytest.fixture(scope="module")
def chromium() -> str:
    """Where the system's Chromium is; without one the tests say so and skip, in CI they fail."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        said = "no Chromium is installed: the board was not opened in a browser"
        if os.environ.get("CI"):
            pytest.fail(said)
        pytest.skip(said)
    return found


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="module")
def board(book: Path, chromium: str) -> Iterator[str]:
    """The address of a running board of the small county."""
    with Board(book, free_port()) as running:
        running.wait_ready()
        yield running.address


@pytest.fixture(scope="module")
def demo_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole demo day, as `wardbook take` leaves it."""
    folder = tmp_path_factory.mktemp("books") / "demo"
    run.take([day_folder()], folder, datetime(2026, 11, 6, tzinfo=UTC))
    return folder


@pytest.fixture(scope="module")
def demo_board(demo_book: Path, chromium: str) -> Iterator[str]:
    with Board(demo_book, free_port()) as running:
        running.wait_ready()
        yield running.address


@pytest.fixture(scope="module")
def browser(chromium: str) -> Iterator["sync_api.Browser"]:
    with sync_api.sync_playwright() as player:
        found = player.chromium.launch(executable_path=chromium, args=SWITCHES)
        yield found
        found.close()


@pytest.fixture(scope="module")
def new_page(browser) -> Iterator[Callable[..., "sync_api.Page"]]:
    """Opens pages that keep what they asked for and what went wrong; at the end nothing may have left this machine."""
    opened: list = []

    def start(scheme: str = "light", size: tuple[int, int] = (1366, 768)) -> "sync_api.Page":
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.asked, page.broken = [], []
        page.on("request", lambda request: page.asked.append(request.url))
        page.on("websocket", lambda socket_: page.asked.append(socket_.url))
        page.on("pageerror", lambda error: page.broken.append(str(error)))
        page.on(
            "console",
            lambda said: (
                page.broken.append(said.text)
                if said.type == "error" and not said.location["url"].endswith(BASE_PATH)
                else None
            ),
        )
        opened.append(page)
        return page

    yield start
    for page in opened:
        hosts = {urlsplit(url).hostname for url in page.asked if not url.startswith(("data:", "blob:", "about:"))}
        assert hosts <= {"127.0.0.1"}, hosts


@pytest.fixture(scope="module")
def page(new_page) -> "sync_api.Page":
    return new_page()


@pytest.fixture(scope="module")
def clicked(new_page, board: str) -> dict[str, "sync_api.Page"]:
    """A page in each theme that stays open, as people go from page to page."""
    return {scheme: new_page(scheme) for scheme in ("light", "dark")}


def settle(page: "sync_api.Page", title: str | None = None) -> None:
    """Waits until the page has been drawn."""
    page.wait_for_selector(f'h1:has-text("{title}")' if title else "h1", state="attached")
    page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]')


def open_view(page: "sync_api.Page", address: str, title: str | None = None) -> None:
    page.goto(address)
    settle(page, title)


def go(page: "sync_api.Page", board: str, path: str) -> None:
    """To a page by the row at the top, or by its address if the board is not open yet."""
    if page.url.startswith(board):
        page.get_by_role("link", name=PAGES[path], exact=True).click()
        settle(page, PAGES[path])
    else:
        open_view(page, f"{board}/{path}", PAGES[path])


def said(page: "sync_api.Page") -> str:
    return page.locator('[data-testid="stMain"]').inner_text()


def keep_shot(page: "sync_api.Page", name: str) -> None:
    SHOTS.mkdir(exist_ok=True)
    page.screenshot(path=str(SHOTS / f"{name}.png"))


def chosen(page: "sync_api.Page") -> list[str]:
    """What the lists on the page stand at, once there are any: a page is drawn from the top down."""
    page.get_by_role("combobox").first.wait_for()
    return [box.get_attribute("value") or box.input_value() for box in page.get_by_role("combobox").all()]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PAGES)
def test_every_page_opens_without_an_error_or_a_serious_fault_for_anybody(clicked, board: str, path: str, scheme: str):
    page = clicked[scheme]
    page.broken.clear()
    go(page, board, path)
    assert page.locator('[data-testid="stException"]').count() == 0
    page.get_by_text("Tern Hollow County").first.wait_for()
    assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth - window.innerWidth") <= 0
    # Charts come after the page. axe-core 4: WCAG 2.2 A and AA, and its own good practice.
    page.wait_for_timeout(300)
    found = axe.Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    bad = [(v["id"], v["nodes"][0]["html"][:200]) for v in found if v["impact"] in ("serious", "critical")]
    assert bad == []
    assert page.broken == []
    keep_shot(page, f"{path}-{scheme}")


def test_the_bare_address_leads_to_the_first_page(page, board: str):
    open_view(page, board, "Now")
    assert page.url.endswith("/now")


def test_an_address_with_a_time_and_a_site_leads_there(page, board: str):
    open_view(page, f"{board}/site?site=P02&at=2026-11-03T09:00:00-06:00")
    assert page.get_by_text("known up to 09:00").count() == 1
    assert page.get_by_text("Not live.").count() == 1
    assert "Larkspur Library (P02)" in chosen(page)


def test_a_site_in_the_list_leads_to_its_page(page, board: str):
    open_view(page, f"{board}/now")
    page.locator(".wb-item a", has_text="Alder Street Hall").first.click()
    page.wait_for_url("**/site?site=P01")
    settle(page, "Site")
    assert "Alder Street Hall (P01)" in chosen(page)


def test_charts_are_drawn_and_told_in_words(page, board: str):
    open_view(page, f"{board}/lines")
    page.wait_for_selector('[data-testid="stVegaLiteChart"] canvas, [data-testid="stVegaLiteChart"] svg')
    assert page.locator('[aria-label*="people waiting"], [aria-label*="waiting at"], img[alt*="waiting"]').count() > 0


def test_a_rovers_page_fits_a_telephone_and_has_five_large_buttons(new_page, board: str):
    phone = new_page(size=(360, 740))
    open_view(phone, f"{board}/now?rover=R1")
    phone.locator(".st-key-rover-buttons button").nth(4).wait_for()
    heights = [b.bounding_box()["height"] for b in phone.locator(".st-key-rover-buttons button").all()]
    assert len(heights) == 5 and min(heights) >= 48  # px; WCAG 2.2 2.5.8 asks for 24, thumbs for more
    assert phone.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= 360
    assert "Keep away: “Millrace School”" in said(phone)
    keep_shot(phone, "rover-phone")


def test_the_wall_has_no_controls_and_turns_by_itself(new_page, board: str):
    wall = new_page()
    open_view(wall, f"{board}/now?wall=now,power&turn=5", "Now")
    sync_api.expect(wall.get_by_role("button").filter(visible=True)).to_have_count(0)
    wall.wait_for_selector("h1:has-text('Power')", state="attached", timeout=PATIENCE_MS)
    assert "wall=now" in wall.url


MOMENTS = {  # local time of the demo day
    "before opening": "2026-11-03T06:40:00-05:00",
    "noon": "2026-11-03T12:00:00-05:00",
    "closing": "2026-11-03T20:10:00-05:00",
    "next morning": "2026-11-04T07:00:00-05:00",
}


@pytest.mark.parametrize("name", MOMENTS)
def test_the_pages_say_what_estimate_says_of_the_same_time(new_page, demo_board: str, demo_book: Path, name: str):
    at = datetime.fromisoformat(MOMENTS[name])
    with read.Snapshot(Book(demo_book).published) as snapshot:
        rows = read.read_rows(snapshot.con)
        newest = read.newest_receipt(snapshot.con)
    at = min(at.astimezone(UTC), newest)
    answers = Answers(read.known_at(rows, at))
    page = new_page()
    open_view(page, f"{demo_board}/tickets?at={at.isoformat().replace('+', '%2B')}", "Tickets")
    live = answers.tickets.filter(pl.col("status") != "resolved")
    text = said(page)
    assert "Not live." in text
    assert f"{live.height}\nnot resolved" in text
    assert f"{live.filter(pl.col('status') == 'open').height}\nof them given to nobody" in text
    go(page, demo_board, "power")
    on = answers.power.filter(pl.col("supply") == "battery").height
    dark = answers.power.filter(pl.col("supply") == "dark").height
    go(page, demo_board, "now")
    text = said(page)
    waiting = round(float(answers.lines["waiting_mean"].sum()))
    assert f"{waiting:,}" in text if answers.lines.height else "no line is open" in text
    assert f"{on}\non battery" in text and f"{dark} dark" in text
    go(page, demo_board, "lines")
    if answers.lines.height:
        worst = answers.lines.filter(pl.col("line") == "checkin").sort("wait_minutes_median", descending=True)
        first = worst.row(0, named=True)
        figures = f"{first['waiting_median']:,.0f} ({first['waiting_low']:,.0f}–{first['waiting_high']:,.0f}) waiting"
        assert figures in said(page)
    for path in ("counts", "opening-closing", "supplies"):
        go(page, demo_board, path)
        assert page.locator('[data-testid="stException"]').count() == 0
    assert page.broken == []
    keep_shot(page, f"demo-{name.replace(' ', '-')}")


def test_a_book_of_broken_feeds_opens_and_shows_what_was_refused(new_page, chromium: str, tmp_path: Path):
    folder = Path(__file__).parents[2] / "demo_data" / "bad"
    run.take([p for p in folder.iterdir() if p.suffix != ".md"], tmp_path / "bad", datetime(2026, 11, 4, tzinfo=UTC))
    with Board(tmp_path / "bad", free_port()) as running:
        running.wait_ready()
        page = new_page()
        for path in ("intake", "now", "tickets", "units"):
            go(page, running.address, path)
            assert page.locator('[data-testid="stException"]').count() == 0
            if path == "intake":
                assert "went to quarantine" in said(page)
        assert page.broken == []


# ---- what people enter


@pytest.fixture(scope="module")
def live(chromium: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """A board with its own writer, of a county that votes today."""
    now = datetime.now(UTC)
    day, folder = tmp_path_factory.mktemp("today"), tmp_path_factory.mktemp("books") / "live"
    (day / "county.toml").write_text(f'name = "Plover County"\nzone = "Etc/UTC"\nelection_day = {now:%Y-%m-%d}\n')
    opens, closes = max(now - timedelta(hours=3), now.replace(hour=0, minute=0)), now.replace(hour=23, minute=59)
    hours = f"{opens:%H:%M},{closes:%H:%M}"
    (day / "sites.csv").write_text(
        "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
        f"P1,Sedge Hall,41.1,-93.5,{hours},700,2,10\nP2,Teasel School,41.2,-93.4,{hours},500,2,8\n"
    )
    (day / "units.csv").write_text("unit_id,site_id,type\nSC-1,P1,scan-single\nSC-2,P2,scan-single\n")
    (day / "rovers.csv").write_text(
        "rover_id,latitude,longitude,skills,parts,on_shift,off_shift\nR1,41.1,-93.4,scanner;power,,00:00,23:59\n"
    )
    run.take([day], folder, now - timedelta(minutes=30), received=max(now - timedelta(hours=2), opens))
    port = free_port()
    command = [
        sys.executable,
        "-m",
        "pipeline.cli",
        "board",
        "--book",
        str(folder),
        "--port",
        str(port),
        "--no-browser",
    ]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + PATIENCE_MS / 1000
        while time.monotonic() < until:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.2)
        yield f"http://127.0.0.1:{port}", folder
    finally:
        process.terminate()
        process.wait(20)


def say_who(page: "sync_api.Page", name: str) -> None:
    page.get_by_placeholder("your name").fill(name)
    page.keyboard.press("Enter")
    settle(page)


TRICKS = "scanner jammed <script>alert(1)</script> =1+1 🗳 <b>tray</b>"


def test_a_call_typed_in_the_browser_is_in_the_log_in_the_estimate_and_on_another_screen(new_page, live):
    address, folder = live
    page, other = new_page(), new_page()
    open_view(other, f"{address}/now", "Now")
    open_view(page, f"{address}/call", "Take a call")
    say_who(page, "Ada Finch")
    place = page.get_by_role("combobox").first
    place.fill("sedg")
    place.press("Enter")
    page.get_by_label("What the caller says").fill(TRICKS)
    page.wait_for_selector("text=Proposed, by the words")
    assert "scanner jams" in said(page).lower()
    assert "two people present" in said(page)  # the caution stands beside the questions
    page.get_by_role("button", name="Save the call").click()
    began = time.monotonic()
    page.wait_for_selector("text=waiting")
    other.wait_for_selector("text=/W-\\d{4}-/", timeout=PATIENCE_MS)
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


def test_a_call_told_twice_is_warned_of_before_it_is_saved(new_page, live):
    address, _ = live
    page = new_page()
    open_view(page, f"{address}/call", "Take a call")
    place = page.get_by_role("combobox").first
    place.fill("sedg")
    place.press("Enter")
    page.get_by_label("What the caller says").fill(TRICKS)
    page.wait_for_selector("text=This seems to be known")
    assert page.get_by_role("button", name="Save as a new call all the same").count() == 1


def test_one_press_sends_a_rover_and_another_takes_it_back(new_page, live):
    address, folder = live
    page = new_page()
    open_view(page, f"{address}/now", "Now")
    say_who(page, "Lou Marsh")
    page.locator('[class*="st-key-press-"] button').filter(has_text="Send R1").or_(
        page.locator('[class*="st-key-press-"] button').filter(has_text="Called back")
    ).first.click()
    page.wait_for_selector("text=waits for its receipt")
    until = time.monotonic() + PATIENCE_MS / 1000
    status: list = []
    while time.monotonic() < until and status != ["assigned"]:
        time.sleep(0.5)
        with read.Snapshot(Book(folder).published) as snapshot:
            status = read.known_at(read.read_rows(snapshot.con), datetime.now(UTC)).tickets["status"].to_list()
    assert status == ["assigned"]


def test_a_rover_says_it_is_fixed_from_its_telephone(new_page, live):
    address, folder = live
    phone = new_page(size=(360, 740))
    open_view(phone, f"{address}/now?rover=R1", "Rover R1")
    phone.get_by_role("button", name="Fixed").click()
    phone.wait_for_selector("text=waiting")
    phone.wait_for_selector("text=✓ received", timeout=PATIENCE_MS)
    with read.Snapshot(Book(folder).published) as snapshot:
        assert read.known_at(read.read_rows(snapshot.con), datetime.now(UTC)).entries.height >= 2


def test_half_a_form_keeps_nothing_and_says_what_is_missing(new_page, live):
    address, folder = live
    page = new_page()
    open_view(page, f"{address}/report", "Report")
    say_who(page, "Ada Finch")
    with duckdb.connect(str(Book(folder).published), read_only=True) as con:
        before = con.sql("select count(*) from log where kind = 'line-counts'").fetchall()
    page.get_by_label("People waiting for check-in").fill("12")
    page.get_by_role("button", name="Save", exact=True).click()
    page.wait_for_selector("text=Still needed: the place")
    assert not list(Book(folder).inbox.glob("entries-*"))
    with duckdb.connect(str(Book(folder).published), read_only=True) as con:
        assert con.sql("select count(*) from log where kind = 'line-counts'").fetchall() == before


def test_an_entry_made_while_the_writer_is_away_waits_in_the_inbox(new_page, board: str, book: Path):
    page = new_page()
    open_view(page, f"{board}/report", "Report")
    say_who(page, "Ada Finch")
    place = page.locator('[data-testid="stForm"]').get_by_role("combobox").first
    place.fill("larksp")
    place.press("Enter")
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
