"""The board's speed: python tests/benchmarks/board.py [SITES] [SESSIONS].

Prints, for a county of SITES sites (60 unless said otherwise): the first useful paint beside a bare Streamlit page with the
same tables, measured in turn; page changes with SESSIONS open sessions (10) that refresh while a writer publishes; memory a
session beyond the first; and how long a new ticket takes to reach an open screen. Needs Chromium. Figures are this machine's:
quote them with its cores, the number of runs and what else ran.
"""

import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from pipeline import run
from pipeline.board import Board
from pipeline.store import inbox
from pipeline.store.book import Book, open_book
from pipeline.watch import Watcher

SWITCHES = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync"]
RUNS = 5  # of each paint
CHANGES = 20  # page changes that are timed
PAGES = ["Lines", "Power", "Tickets", "Now"]
BARE = """
import os, polars as pl, streamlit as st
from pipeline.store import read
from pipeline.store.book import Book
from pathlib import Path
st.set_page_config(layout="wide")
st.title("Bare")
with read.Snapshot(Book(Path(os.environ["WARDBOOK_BOOK"])).published) as snapshot:
    for what in ("tickets", "lines", "power"):
        st.dataframe(snapshot.estimate(what))
"""


def county(folder: Path, sites: int, now: datetime) -> None:
    """A county that votes now."""
    day = now.strftime("%Y-%m-%d")
    (folder / "county.toml").write_text(f'name = "Quillback County"\nzone = "Etc/UTC"\nelection_day = {day}\n')
    rows = [
        f"S{i},Hall {i},{41 + i % 70 / 100:.2f},{-93 + i // 70 / 100:.2f},00:00,23:59,500,2,8" for i in range(sites)
    ]
    head = "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
    (folder / "sites.csv").write_text(head + "\n".join(rows) + "\n")
    units = "\n".join(f"U{i},S{i},scan-single" for i in range(sites))
    (folder / "units.csv").write_text(f"unit_id,site_id,type\n{units}\n")


def free_port() -> int:
    """A port of this machine that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def paint(browser: Browser, address: str, selector: str) -> float:
    """Seconds until a page shows something useful."""
    page = browser.new_page(viewport={"width": 1366, "height": 768})
    began = time.perf_counter()
    page.goto(address)
    page.wait_for_selector(selector, timeout=120_000)
    seconds = time.perf_counter() - began
    page.context.close()
    return seconds


def memory(pid: int) -> float:
    """Resident memory of a process [MB]."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    return 0.0


def change(page: Page, name: str) -> float:
    """Seconds of one page change."""
    began = time.perf_counter()
    page.get_by_role("link", name=name, exact=True).click()
    page.wait_for_selector(f"h1:has-text('{name}')", state="attached", timeout=120_000)
    page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]', timeout=120_000)
    return time.perf_counter() - began


def first_paints(browser: Browser, board: Board, folder: Path) -> None:
    """The board's first useful paint beside a bare page's, in turn."""
    script, port = folder / "bare.py", free_port()
    script.write_text(BARE)
    command = [sys.executable, "-m", "streamlit", "run", str(script), f"--server.port={port}", "--server.headless=true"]
    environment = os.environ | {"WARDBOOK_BOOK": str(folder / "book"), "PYTHONPATH": os.getcwd()}
    bare = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        time.sleep(5)
        ours, theirs = [], []
        for _ in range(RUNS):
            ours.append(paint(browser, f"{board.address}/now", ".wb-facts"))
            theirs.append(paint(browser, f"http://127.0.0.1:{port}", '[data-testid="stDataFrame"] >> nth=2'))
    finally:
        bare.terminate()
        bare.wait()
    one, two = statistics.median(ours[1:]), statistics.median(theirs[1:])
    print(f"first useful paint: {one:.2f} s, bare page {two:.2f} s, ratio {one / two:.2f} (medians of {RUNS - 1})")


def keep_writing(writer: run.Writer, stop: threading.Event) -> None:
    """The writer, as a watcher runs it."""
    Watcher(writer, [], [], lambda _line: None).run(stop, lambda: datetime.now(UTC))


def many_sessions(browser: Browser, board: Board, book: Book, sessions: int) -> None:
    """Page changes, memory and the way of a new ticket, with many sessions open."""
    pid = board._process.pid if board._process else 0
    pages = [browser.new_page(viewport={"width": 1366, "height": 768})]
    pages[0].goto(f"{board.address}/now")
    pages[0].wait_for_selector(".wb-facts", timeout=120_000)
    before = memory(pid)
    for _ in range(sessions - 1):
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        page.goto(f"{board.address}/tickets")
        page.wait_for_selector("h1", state="attached", timeout=120_000)
        pages.append(page)
    if sessions > 1:
        print(f"memory: {(memory(pid) - before) / (sessions - 1):.1f} MB a session beyond the first ({before:.0f} MB)")
    times = sorted(change(pages[0], PAGES[n % len(PAGES)]) for n in range(CHANGES))
    late = times[int(0.95 * (len(times) - 1))]
    print(f"page change with {sessions} sessions: median {statistics.median(times):.2f} s, 95 % {late:.2f} s")
    change(pages[0], "Now")
    call = {"site": "Hall 1 (S1)", "text": "scanner is jammed", "status": "open"}
    began = time.perf_counter()
    inbox.drop(book, [inbox.entry("ticket", "bench", datetime.now(UTC), "W-BENCH", call)])
    pages[0].wait_for_selector("text=W-BENCH", timeout=120_000)
    print(f"a new ticket on an open screen: {time.perf_counter() - began:.1f} s after its file")


def main() -> None:
    """The whole measurement."""
    sites = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    sessions = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        raise SystemExit("No Chromium is installed.")
    with tempfile.TemporaryDirectory() as place, sync_playwright() as player:
        folder, now = Path(place), datetime.now(UTC)
        day = folder / "day"
        day.mkdir()
        county(day, sites, now)
        run.take([day], folder / "book", now - timedelta(minutes=5), received=now - timedelta(minutes=10))
        book, stop = open_book(folder / "book"), threading.Event()
        print(f"{sites} sites, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
        with run.Writer(book, now) as writer, Board(book.folder, free_port()) as board:
            began = time.perf_counter()
            writer.publish(now, now)
            print(f"estimates made and published in {time.perf_counter() - began:.1f} s")
            board.wait_ready()
            browser = player.chromium.launch(executable_path=chromium, args=SWITCHES)
            first_paints(browser, board, folder)
            thread = threading.Thread(target=keep_writing, args=(writer, stop))
            thread.start()
            try:
                many_sessions(browser, board, book, sessions)
            finally:
                stop.set()
                thread.join()
                browser.close()


if __name__ == "__main__":
    main()
