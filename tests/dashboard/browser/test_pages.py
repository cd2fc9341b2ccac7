"""The board in a real browser: every page opens, nothing fails, and no request leaves this machine."""

import os
import threading
from pathlib import Path

import pytest

from dashboard import theme
from dashboard.navigation import VIEWS
from pipeline.board import Board
from pipeline.store.book import Book

sync_api = pytest.importorskip("playwright.sync_api")
PAGES = {path: view.title for path, view in VIEWS.items()}


@pytest.fixture(scope="module")
def clicked(new_page, board: str) -> dict[str, "sync_api.Page"]:
    """A page in each theme that stays open, as people go from page to page."""
    return {scheme: new_page(scheme) for scheme in ("light", "dark")}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PAGES)
def test_every_page_opens_without_an_error_or_a_serious_fault_for_anybody(
    there, clicked, board: str, path: str, scheme: str
):
    page = clicked[scheme]
    page.broken.clear()
    there.go(page, board, path)
    assert page.locator('[data-testid="stException"]').count() == 0
    page.get_by_text("Tern Hollow County").first.wait_for()
    assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth - window.innerWidth") <= 0
    assert there.faults(page) == []
    assert page.broken == []
    there.keep_shot(page, f"{path}-{scheme}")


def test_the_bare_address_leads_to_the_first_page(there, page, board: str):
    there.open_view(page, board, "Now")
    assert page.url.endswith("/now")


def test_an_address_with_a_time_and_a_site_leads_there(there, page, board: str):
    there.open_view(page, f"{board}/site?site=P02&at=2026-11-03T09:00:00-06:00")
    assert page.get_by_text("known up to 09:00").count() == 1
    assert page.get_by_text("Not live.").count() == 1
    assert "Larkspur Library (P02)" in there.chosen(page)


def test_a_site_in_the_list_leads_to_its_page(there, page, board: str):
    there.open_view(page, f"{board}/now")
    page.locator(".wb-item a", has_text="Alder Street Hall").first.click()
    page.wait_for_url("**/site?site=P01")
    there.settle(page, "Site")
    assert "Alder Street Hall (P01)" in there.chosen(page)


def test_charts_are_drawn_and_told_in_words(there, page, board: str):
    there.open_view(page, f"{board}/lines")
    page.wait_for_selector('[data-testid="stVegaLiteChart"] canvas, [data-testid="stVegaLiteChart"] svg')
    assert page.locator('[aria-label*="people waiting"], [aria-label*="waiting at"], img[alt*="waiting"]').count() > 0


def test_a_rovers_page_fits_a_telephone_and_has_five_large_buttons(there, new_page, board: str):
    phone = new_page(size=(360, 740))
    there.open_view(phone, f"{board}/now?rover=R1")
    phone.locator(".st-key-rover-buttons button").nth(4).wait_for()
    heights = [b.bounding_box()["height"] for b in phone.locator(".st-key-rover-buttons button").all()]
    assert len(heights) == 5 and min(heights) >= 48  # px; WCAG 2.2 2.5.8 asks for 24, thumbs for more
    assert phone.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= 360
    assert "Keep away: Millrace <b>School</b>" in there.said(phone)
    there.keep_shot(phone, "rover-phone")


def test_a_page_that_has_lost_the_board_says_that_a_press_is_not_sent(there, new_page, book: Path, chromium: str):
    with Board(book, there.free_port()) as running:
        running.wait_ready()
        phone = new_page(size=(360, 740))
        there.open_view(phone, f"{running.address}/now?rover=R1")
        phone.locator(".st-key-rover-buttons button").nth(4).wait_for()
        told = phone.get_by_text("What is pressed now is not sent")
        assert not told.is_visible()
    told.wait_for(state="visible")
    there.keep_shot(phone, "rover-unsent")


def test_the_wall_has_no_controls_and_turns_by_itself(there, new_page, board: str):
    wall = new_page()
    there.open_view(wall, f"{board}/now?wall=now,power&turn=5", "Now")
    sync_api.expect(wall.get_by_role("button").filter(visible=True)).to_have_count(0)
    wall.wait_for_selector("h1:has-text('Power')", state="attached")
    assert "wall=now" in wall.url


def test_a_button_that_cannot_be_pressed_yet_can_be_read(there, page, board: str):
    there.open_view(page, f"{board}/call", "Take a call")
    save = page.get_by_role("button", name="Save the call")
    sync_api.expect(save).to_be_disabled()
    red, green, blue = bytes.fromhex(theme.LIGHT.faint.removeprefix("#"))
    sync_api.expect(save.locator("p")).to_have_css("color", f"rgb({red}, {green}, {blue})")


NUMBERED = """() => {
    const seen = e => { const r = e.getBoundingClientRect(); return r.width > 0 && r.height > 0 && e.tabIndex >= 0 && !e.disabled };
    const found = [...document.querySelectorAll('a[href], button, input, textarea')].filter(seen);
    found.forEach((e, n) => { e.dataset.number = n });
    return found.map(e => [e.getAttribute('role'), e.getAttribute('aria-label') || e.innerText || e.id]);
}"""  # what can be worked, numbered in place
AT = "document.activeElement.dataset.number"
MOST_STOPS = 400  # of the tabulator on one page [count]


@pytest.mark.parametrize("path", PAGES)
def test_whatever_can_be_worked_is_reached_by_keyboard(there, page, board: str, path: str):
    there.open_view(page, f"{board}/{path}", PAGES[path])
    page.wait_for_timeout(500)  # the tables' own buttons come after the page
    found, reached = page.evaluate(NUMBERED), set()
    for _ in range(MOST_STOPS):
        page.keyboard.press("Tab")
        reached.add(page.evaluate(AT))
        if page.evaluate("document.activeElement === document.body"):
            break
    # of a group of choices one is a stop, and the arrows go on from there (WAI-ARIA, radio group)
    missed = [said for n, (role, said) in enumerate(found) if role != "radio" and str(n) not in reached]
    assert len(found) > len(PAGES) and missed == []


def test_the_arrows_go_on_from_choice_to_choice(there, page, board: str):
    there.open_view(page, f"{board}/lines", "Lines")
    page.get_by_role("radio", name="Live").focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Space")
    page.wait_for_selector(".wb-head:has-text('held')")


def test_no_click_is_lost_while_the_page_is_drawn_anew_all_the_time(new_page, board: str, book: Path, there):
    stop, published = threading.Event(), Book(book).published

    def publishes() -> None:
        while not stop.wait(0.2):
            os.utime(published)

    page, busy = new_page(), threading.Thread(target=publishes)
    there.open_view(page, f"{board}/now", "Now")
    busy.start()
    try:
        for path in ["lines", "power", "tickets", "units", "rovers", "now"] * 2:
            there.go(page, board, path)
            page.wait_for_timeout(700)  # the clock's next drawing begins somewhere in the next two seconds
    finally:
        stop.set()
        busy.join()
    assert page.broken == []
