"""What looks and drawings cost the board's server: python tests/benchmarks/board_beats.py [SESSIONS] [SECONDS].

No writer runs. The demo day's 10:40 is published once; at first nothing changes, so that all SESSIONS (25) only look whether
something is new; then the snapshot counts as new every second, and every session goes from page to page. Prints the server's
processor time, the page changes, the clicks after which the page never came, and memory.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

from board import free_port, processor_seconds, spread, status_of
from browsing import Screens

from pipeline import run
from pipeline.board import Board
from pipeline.demo import Replay, day_folder
from pipeline.store.book import Book, open_book

AT = "10:40"  # a storm, long lines
PATIENCE_SECONDS = 240.0


def published(folder: Path) -> Book:
    """A book of the demo day with every estimate of one moment."""
    book, replay = open_book(folder, create=True), Replay(day_folder(), AT, 1)
    with run.Writer(book, replay.start) as writer:
        writer.take(replay.due(replay.start), replay.start)
        writer.publish(replay.start, replay.start)
    return book


def wait_open(screens: Screens, count: int) -> None:
    """Until every session has its first page."""
    until = time.monotonic() + PATIENCE_SECONDS
    while len(screens.opened) < count:
        if time.monotonic() > until:
            raise SystemExit(f"Only {len(screens.opened)} of {count} sessions were opened.")
        time.sleep(0.2)


def measured(screens: Screens, pid: int, seconds: float, book: Book, is_changing: bool) -> str:
    """What the server did in some seconds, and what it cost."""
    counted, began, taken = screens.counted, time.monotonic(), processor_seconds(pid)
    runs, beats = counted.runs, counted.beats
    while time.monotonic() - began < seconds:
        time.sleep(1)
        if is_changing:
            os.utime(book.published)
    took, used = time.monotonic() - began, processor_seconds(pid) - taken
    runs, beats = counted.runs - runs, counted.beats - beats
    each = 1000 * used / max(runs + beats, 1)
    return f"{runs} pages drawn, {beats} looks, {used / took:.2f} cores, {each:.1f} ms of the processor each"


def main() -> None:
    """The whole measurement."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 25
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 45.0
    print(f"{sessions} sessions, {os.cpu_count()} cores, load before {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as place:
        book = published(Path(place) / "book")
        with Board(book.folder, free_port()) as board:
            board.wait_ready()
            pid = board._process.pid if board._process else 0
            with Screens(board.port, 1, ["now"], []) as screens:
                wait_open(screens, 1)
            before = status_of(pid, "VmRSS")
            with Screens(board.port, sessions, [None], []) as screens:
                wait_open(screens, sessions)
                print(f"nothing new: {measured(screens, pid, seconds, book, False)}")
                screens.is_going_on.set()
                print(f"new every second: {measured(screens, pid, seconds, book, True)}")
                print(f"page changes: {spread(screens.counted.changes)}; {screens.counted.lost} never came")
            grown = (status_of(pid, "VmRSS") - before) / sessions
            print(f"memory: {before:.0f} MB with one session, {grown:.1f} MB more for each further one")
    print(f"load after {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
