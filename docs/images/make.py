"""The README's screenshots, made from the demo day: python docs/images/make.py. Needs Chromium."""

import shutil
import socket
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from pipeline import run
from pipeline.board import Board
from pipeline.demo import day_folder
from pipeline.sources.folder import gather
from pipeline.store.book import open_book

HERE = Path(__file__).parent
AT = datetime(2026, 11, 3, 15, 36, tzinfo=UTC)  # 10:36 of the demo day
SWITCHES = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync"]
PATIENCE_MS = 120_000
SAID = "our scanner is dead and about 41 people wait in line"
CHARTS_MS = 2_000  # charts come after the page


def settled(page: Page, address: str) -> None:
    """Opens an address and waits until it has been drawn."""
    page.goto(address)
    page.wait_for_selector("h1", state="attached", timeout=PATIENCE_MS)
    page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]', timeout=PATIENCE_MS)
    page.wait_for_timeout(CHARTS_MS)


def shoot(page: Page, name: str) -> None:
    """Keeps what the page shows."""
    page.screenshot(path=str(HERE / f"{name}.png"))
    print(f"{name}.png")


def main() -> None:
    """Takes the day up to 10:36 and looks at three pages of it."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        raise SystemExit("No Chromium is installed.")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    with tempfile.TemporaryDirectory() as place:
        book = open_book(Path(place) / "book", create=True)
        with run.Writer(book, AT) as writer:
            writer.take([f for f in gather([day_folder()], AT) if f.received_at <= AT], AT)
            writer.publish(AT, AT)
        with Board(book.folder, port) as board, sync_playwright() as player:
            board.wait_ready()
            browser = player.chromium.launch(executable_path=chromium, args=SWITCHES)
            desk = browser.new_page(viewport={"width": 1366, "height": 768})
            settled(desk, f"{board.address}/now")
            shoot(desk, "now")
            settled(desk, f"{board.address}/call")
            place_box = desk.get_by_role("combobox").first
            place_box.fill("marlp")
            place_box.press("Enter")
            desk.get_by_label("What the caller says").fill(SAID)
            desk.wait_for_selector("text=Proposed, by the words", timeout=PATIENCE_MS)
            desk.wait_for_timeout(CHARTS_MS)
            shoot(desk, "call")
            phone = browser.new_page(viewport={"width": 360, "height": 740}, device_scale_factor=2)
            settled(phone, f"{board.address}/now?rover=RV-4")
            shoot(phone, "rover")
            browser.close()


if __name__ == "__main__":
    main()
