"""The board in a real browser: every address opens, nothing fails, and no request leaves this machine."""

import os
import shutil
import socket
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from pipeline.board import Board

sync_api = pytest.importorskip("playwright.sync_api")
VIEWS = {
    "": "Now",
    "now": "Now",
    "map": "Map",
    "lines": "Lines",
    "power": "Power",
    "units": "Units",
    "rovers": "Rovers",
    "opening-closing": "Opening & closing",
    "tickets": "Tickets",
    "intake": "Intake",
    "site": "Site",
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
PATIENCE_MS = 60_000


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


@pytest.fixture(scope="module")
def board(book: Path, chromium: str) -> Iterator[str]:
    """The address of a running board."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with Board(book, port) as running:
        running.wait_ready()
        yield running.address


@pytest.fixture(scope="module")
def page(chromium: str) -> Iterator["sync_api.Page"]:
    """A page of the usual size, that keeps what it asked for and what went wrong."""
    with sync_api.sync_playwright() as player:
        browser = player.chromium.launch(executable_path=chromium, args=SWITCHES)
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        page.set_default_timeout(PATIENCE_MS)
        page.asked, page.broken = [], []
        page.on("request", lambda request: page.asked.append(request.url))
        page.on("websocket", lambda opened: page.asked.append(opened.url))
        page.on("pageerror", lambda error: page.broken.append(str(error)))
        yield page
        browser.close()


def open_view(page: "sync_api.Page", address: str) -> None:
    """Goes to an address and waits until the page has been drawn."""
    page.goto(address)
    page.wait_for_selector("h1")
    page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]')


def chosen(page: "sync_api.Page") -> list[str]:
    """What the lists on the page stand at, once there are any: a page is drawn from the top down."""
    page.get_by_role("combobox").first.wait_for()
    return [box.get_attribute("value") or box.input_value() for box in page.get_by_role("combobox").all()]


@pytest.mark.parametrize("path", VIEWS, ids=lambda p: p or "bare")
def test_every_address_opens_without_an_error_within_the_window(page, board: str, path: str):
    page.asked.clear(), page.broken.clear()
    open_view(page, f"{board}/{path}")
    assert page.locator("h1").inner_text() == VIEWS[path]
    assert page.locator('[data-testid="stException"]').count() == 0
    assert page.get_by_text("Page not found").count() == 0
    assert page.get_by_text("Tern Hollow County").count() == 1
    assert page.broken == []
    assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth - window.innerWidth") <= 0
    hosts = {urlsplit(url).hostname for url in page.asked if not url.startswith(("data:", "blob:"))}
    assert hosts == {"127.0.0.1"}


def test_an_address_with_a_time_and_a_site_leads_there(page, board: str):
    open_view(page, f"{board}/site?site=P02&at=2026-11-03T09:00:00-06:00")
    assert page.get_by_text("known up to 09:00").count() == 1
    assert "Larkspur Library (P02)" in chosen(page)


def test_a_site_in_the_list_leads_to_its_page(page, board: str):
    open_view(page, f"{board}/now")
    page.locator(".wb-item a", has_text="Alder Street Hall").first.click()
    page.wait_for_url("**/site?site=P01")
    page.wait_for_selector("h1:has-text('Site')")
    assert "Alder Street Hall (P01)" in chosen(page)


def test_the_views_are_reached_by_the_row_at_the_top(page, board: str):
    open_view(page, f"{board}/now")
    page.get_by_role("link", name="Power", exact=True).click()
    page.wait_for_selector("h1:has-text('Power')")
    assert page.url.endswith("/power")


def test_charts_are_drawn_and_told_in_words(page, board: str):
    open_view(page, f"{board}/lines")
    page.wait_for_selector('[data-testid="stVegaLiteChart"] canvas, [data-testid="stVegaLiteChart"] svg')
    assert page.locator('[aria-label*="people waiting"], [aria-label*="waiting at"], img[alt*="waiting"]').count() > 0
