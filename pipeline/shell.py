"""What the commands share: words and times from the command line, progress, stopping, and what a question asks of."""

import re
import signal
import threading
import webbrowser
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import FrameType

from rich.console import Console
from rich.progress import Progress, TaskID

from pipeline.board import Board
from pipeline.contracts.known import County
from pipeline.contracts.moments import local_time, parse_time
from pipeline.errors import BookEmpty, UsageError
from pipeline.run import DAY_IS_OVER
from pipeline.sources.profile import Profile, read_profiles
from pipeline.store import read
from pipeline.store.book import Book, is_held, open_book

messages = Console(stderr=True, soft_wrap=True, highlight=False)


def moment(text: str, zone: str | None = None) -> datetime:
    """A time from the command line."""
    try:
        return parse_time(text, zone)
    except ValueError as error:
        raise UsageError(f"{text!r}: not a time ({error}). Write it like 2026-11-03T09:30:00-06:00.") from error


def time_of_day(text: str, county: County) -> datetime:
    """A time from the command line; HH:MM is local, on election day."""
    if re.fullmatch(r"[0-2]?\d:[0-5]\d", text) and int(text.split(":")[0]) < 24:
        return local_time(county.election_day, text, county.zone)
    return moment(text, county.zone)


def fault_words(row: int, column: str | None, value: str | None, reason: str) -> str:
    """Why a row, or one value of it, could not be used."""
    return f"row {row}, {column or 'the whole row'}: {value!r}: {reason}"


def profiles_of(paths: list[Path] | None) -> list[Profile]:
    """The profiles named, and those of folders that are named."""
    return read_profiles(paths or [])


def one_of(value: str, choices: tuple[str, ...], option: str) -> str:
    """A word of a closed list."""
    if value not in choices:
        raise UsageError(f"{option} {value}: not one of {', '.join(choices)}. Choose one.")
    return value


@dataclass(frozen=True)
class Asked:
    """What a question is answered from: the published rows, the times asked for, and the county's zone."""

    book: Book
    rows: read.Rows
    times: list[datetime]
    zone: str


def asked_of(folder: Path, at: list[str] | None, now: datetime) -> Asked:
    """The published rows of a book and the times asked for: the newest receipt if none is, now while it is watched."""
    book = open_book(folder)
    with read.Snapshot(book.published) as snapshot:
        rows = read.read_rows(snapshot.con)
        newest = read.newest_receipt(snapshot.con)
        zone = read.zone_of(snapshot.con)
    if newest is None:
        raise BookEmpty(f"{folder}: no row has been taken yet. Take files in first.")
    if at:
        times = [moment(text, zone) for text in at]
    else:
        times = [now if is_held(book) and now - newest <= DAY_IS_OVER else newest]
    return Asked(book, rows, times, zone or "UTC")


def put(page: str | bytes, out: Path | None) -> None:
    """A page to a file, or to stdout."""
    if out is None:
        print(page)
        return
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_bytes(page if isinstance(page, bytes) else page.encode())
    messages.print(f"Written to {out}", markup=False)


@contextmanager
def stopping() -> Iterator[threading.Event]:
    """An event that SIGTERM and Ctrl-C set; the work in hand is finished first."""
    stop = threading.Event()

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, on_signal) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def working(what: str, total: int | None = None) -> Iterator["Advance"]:
    """Progress on stderr, where a person is looking."""
    with Progress(console=messages, transient=True, disable=not messages.is_terminal) as progress:
        yield Advance(progress, progress.add_task(what, total=total))


class Advance:
    """One step forward of a progress bar."""

    def __init__(self, progress: Progress, task: TaskID) -> None:
        self._progress, self._task = progress, task

    def __call__(self) -> None:
        self._progress.advance(self._task)


def show(server: Board, no_browser: bool) -> None:
    """Waits for the board, says where it is, and opens it."""
    server.wait_ready()
    print(f"The board is at {server.address}", flush=True)
    if not no_browser:
        webbrowser.open(server.address)
