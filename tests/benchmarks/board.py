"""The board's speed: python tests/benchmarks/board.py [SITES] [SESSIONS].

The demo day, or for another number of SITES than its 60 a made county, is played at 60 times its pace by a writer of its
own, while SESSIONS sessions (50) are open. One of them is a Chromium that goes from page to page; the others speak to the
server as a browser does, and do not draw (`browsing.py`); every fourth of them goes from page to page too. Prints the first useful paint beside a bare Streamlit page with the same tables,
measured in turn; page changes, in the browser and as the server answered the others; the server's processor time; memory a
session beyond the first; and how long a new ticket takes to reach the open screens.
Figures are this machine's: quote them with its cores, the number of runs and what else ran. The browser and the other
sessions take their share of the same processors.
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
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from browsing import Screens
from playwright.sync_api import Browser, Page, sync_playwright

from pipeline import run
from pipeline.beside import Beside
from pipeline.board import Board
from pipeline.demo import SPEED, START, Replay, day_folder, play
from pipeline.store import inbox, read
from pipeline.store.book import Book, open_book

SWITCHES = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync"]
DEMO_SITES = 60
RUNS = 5  # of each paint
CHANGES = 40  # page changes that are timed
THINK_SECONDS = 1.0  # between them
ALONE = 5  # times that the first session sees each page before the others come: what the day fills is then no part of theirs
PAGES = ["Lines", "Power", "Tickets", "Map", "Units", "Site", "Now"]
OPEN = ["tickets", "now", None, "lines"]  # what the other sessions show, in turn; None: goes from page to page
TICKETS = [f"W-BENCH-{n}" for n in range(5)]
BETWEEN_SECONDS = 5.0  # between a ticket on every screen and the next one
PATIENCE_SECONDS = 120.0
FEEDS_EVERY, DAY_MINUTES = 15, 240  # of the made county [min]
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


def county(folder: Path, sites: int) -> Path:
    """A made county's day: rosters, and from 10:00 reports and counts every quarter of an hour."""
    folder.mkdir()
    (folder / "county.toml").write_text('name = "Quillback County"\nzone = "Etc/UTC"\nelection_day = 2026-11-03\n')
    head = "site_id,name,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
    rows = [
        f"S{i},Hall {i},{41 + i % 70 / 100:.2f},{-93 + i // 70 / 100:.2f},07:00,20:00,500,2,8" for i in range(sites)
    ]
    units = "\n".join(f"U{i},S{i},scan-single" for i in range(sites))
    files = {
        "sites.csv": head + "\n".join(rows) + "\n",
        "units.csv": f"unit_id,site_id,type\n{units}\n",
        "rovers.csv": "rover_id,latitude,longitude,skills,parts,on_shift,off_shift\n"
        + "".join(f"R{n},41.{n:02},-93.2,scanner;power,roller:2,06:00,22:00\n" for n in range(max(sites // 12, 1))),
    }
    received = dict.fromkeys(["county.toml", *files], "2026-11-02T20:00:00Z")
    for minute in range(0, DAY_MINUTES, FEEDS_EVERY):
        at = datetime(2026, 11, 3, 10, tzinfo=UTC) + timedelta(minutes=minute)
        stamp, clock = f"{at:%Y-%m-%dT%H:%M:%S}", f"{at:%H%M}"
        some = range(minute % 10, sites, 10)
        made = {
            f"status-{clock}.csv": "unit_id,at,sequence,ballots_counted,power\n"
            + "".join(f"U{i},{stamp},{minute},{100 + minute * (1 + i % 3)},mains\n" for i in range(sites)),
            f"lines-{clock}.csv": "site_id,at,checkin_line,scanner_line\n"
            + "".join(f"S{i},{stamp},{i % 40},{i % 7}\n" for i in some),
            f"tickets-{clock}.csv": "ticket_id,opened_at,site,text,status\n"
            + "".join(f"T{clock}-{i},{stamp},Hall {i},the scanner jams,open\n" for i in some if i % 100 < 2),
        }
        files |= made
        received |= dict.fromkeys(made, f"{at + timedelta(minutes=1):%Y-%m-%dT%H:%M:%SZ}")
    for name, text in files.items():
        (folder / name).write_text(text)
    (folder / "received.csv").write_text("file,received_at\n" + "".join(f"{n},{t}\n" for n, t in received.items()))
    return folder


def write(day: Path, book: Path) -> None:
    """The writer's process: the day at its pace, until it is ended."""
    replay = Replay(day, START, SPEED)
    with run.Writer(open_book(book, create=True), replay.start) as writer, Beside() as beside:
        writer.take(replay.due(replay.start), replay.start)
        began = time.process_time()
        writer.publish(replay.start, replay.start)
        print(f"all estimates made and published in {time.process_time() - began:.1f} s of processor time", flush=True)
        replay.begin()
        play(writer, replay, threading.Event(), lambda _line: None, lambda: True, beside)


@contextmanager
def writing(day: Path, book: Book) -> Iterator[None]:
    """While the writer is at work; begins when it has published."""
    process = subprocess.Popen([sys.executable, __file__, "--write", str(day), str(book.folder)])
    try:
        while not book.published.exists():
            if process.poll() is not None:
                raise SystemExit("The writer has stopped.")
            time.sleep(0.2)
        yield
    finally:
        process.terminate()
        process.wait()


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


def status_of(pid: int, name: str) -> float:
    """A figure of a process: VmRSS [MB]."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) / 1024
    return 0.0


def processor_seconds(pid: int) -> float:
    """Processor time that a process has taken [s]."""
    taken = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(taken[11]) + int(taken[12])) / os.sysconf("SC_CLK_TCK")


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


def many_sessions(browser: Browser, board: Board, book: Book, sessions: int) -> None:
    """Page changes, memory and the way of a new ticket, with many sessions open."""
    pid = board._process.pid if board._process else 0
    page = browser.new_page(viewport={"width": 1366, "height": 768})
    page.goto(f"{board.address}/now")
    page.wait_for_selector(".wb-facts", timeout=120_000)
    for name in PAGES * ALONE:
        change(page, name)
        time.sleep(THINK_SECONDS)
    alone = status_of(pid, "VmRSS")
    wander(page)
    before = status_of(pid, "VmRSS")
    with Screens(board.port, sessions - 1, OPEN, TICKETS) as screens:
        until = time.monotonic() + PATIENCE_SECONDS
        while len(screens.opened) < sessions - 1 and time.monotonic() < until:
            time.sleep(0.2)
        screens.is_going_on.set()
        began, taken, drawn = time.monotonic(), processor_seconds(pid), screens.counted.runs
        times = wander(page)
        cores = (processor_seconds(pid) - taken) / (time.monotonic() - began)
        opened, counted = len(screens.opened) + 1, screens.counted
        print(
            f"{opened} sessions open; {counted.runs - drawn} pages drawn for the others; the server took {cores:.2f} cores"
        )
        print(f"page change in the browser: {spread(times)}")
        print(f"page change as the others were answered: {spread(counted.changes)}; {counted.lost} never came")
        screens.is_going_on.clear()
        new_tickets(book, screens, listing(sessions))
        grown = status_of(pid, "VmRSS") - before
        print(f"memory: {before:.0f} MB with one session, {grown / (sessions - 1):.1f} MB more for each further one")
        print(
            f"memory: {before - alone:.0f} MB of growth while the first session went on alone, before the others came"
        )


def wander(page: Page) -> list[float]:
    """The seconds of so many page changes, one after another."""
    times = []
    for n in range(CHANGES):
        times.append(change(page, PAGES[n % len(PAGES)]))
        time.sleep(THINK_SECONDS)
    return times


def spread(seconds: list[float]) -> str:
    """The middle, the 95th percentile and the last of some times."""
    if not seconds:
        return "none"
    found = sorted(seconds)
    late = found[int(0.95 * (len(found) - 1))]
    return f"median {statistics.median(found):.2f} s, 95 % {late:.2f} s, longest {found[-1]:.2f} s ({len(found)})"


def listing(sessions: int) -> set[int]:
    """Which of the other sessions list tickets and stay there."""
    return {n for n in range(sessions - 1) if OPEN[n % len(OPEN)] == "tickets"}


def new_tickets(book: Book, screens: Screens, staying: set[int]) -> None:
    """How long new tickets take, one after another, from their file to each screen that lists tickets, stage by stage."""
    with read.Snapshot(book.published) as snapshot:
        site = read.received(read.read_rows(snapshot.con), "sites")["site_id"][0]
    ways = [new_ticket(book, screens, staying, site, ticket) for ticket in TICKETS]
    for n, stage in enumerate(("taken", "published", "on the first screen")):
        print(f"a new ticket {stage}: {spread([way[n] for way in ways])}")
    told = [seconds for way in ways for seconds in way[2:]]
    print(f"a new ticket on {len(told)} of {len(staying) * len(ways)} screens: {spread(told)}")


def new_ticket(book: Book, screens: Screens, staying: set[int], site: str, ticket: str) -> list[float]:
    """Seconds from a ticket's file until it was taken, until it was published, and until each screen was told."""
    with read.Snapshot(book.published) as snapshot:
        at = snapshot.meta()["at"]
    call = {"site": site, "text": "scanner is jammed", "status": "open"}
    began = time.perf_counter()
    file = book.inbox / inbox.drop(book, [inbox.entry("ticket", "bench", at, ticket, call)])
    taken = published = None
    told: dict[int, float] = {}
    while not staying <= set(told) and time.perf_counter() - began < PATIENCE_SECONDS:
        time.sleep(0.02)
        now = time.perf_counter() - began
        if taken is None and not file.exists():
            taken = now
        if taken is not None and published is None and is_published(book, ticket):
            published = now
        told = {n: at - began for (word, n), at in screens.counted.told.items() if word == ticket}
    time.sleep(BETWEEN_SECONDS)
    stages = [PATIENCE_SECONDS if stage is None else stage for stage in (taken, published)]
    return [*stages, *sorted(seconds for n, seconds in told.items() if n in staying)]


def is_published(book: Book, ticket: str) -> bool:
    """Whether a ticket is among the published estimates."""
    with read.Snapshot(book.published) as snapshot:
        found = snapshot.estimate("tickets")
    return found is not None and ticket in found["ticket_id"]


def main() -> None:
    """The whole measurement."""
    sites = int(sys.argv[1]) if len(sys.argv) > 1 else DEMO_SITES
    sessions = int(sys.argv[2]) if len(sys.argv) > 2 else 50
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        raise SystemExit("No Chromium is installed.")
    with tempfile.TemporaryDirectory() as place, sync_playwright() as player:
        folder = Path(place)
        day = day_folder() if sites == DEMO_SITES else county(folder / "day", sites)
        book = open_book(folder / "book", create=True)
        print(f"{sites} sites, {sessions} sessions, {os.cpu_count()} cores, load before {os.getloadavg()[0]:.1f}")
        with writing(day, book), Board(book.folder, free_port()) as board:
            board.wait_ready()
            browser = player.chromium.launch(executable_path=chromium, args=SWITCHES)
            first_paints(browser, board, folder)
            many_sessions(browser, board, book, sessions)
            browser.close()
        print(f"load after {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--write"]:
        write(Path(sys.argv[2]), Path(sys.argv[3]))
    else:
        main()
