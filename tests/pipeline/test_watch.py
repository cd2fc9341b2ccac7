"""Watching: the only writer, fed by folders, the inbox and other commands; stops cleanly."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pipeline import run
from pipeline.sources.folder import gather
from pipeline.store import handover, log, read
from pipeline.store.book import Book, open_book
from pipeline.watch import Watcher

COMMAND = Path(sys.executable).with_name("wardbook")
PATIENCE_SECONDS = 120


@pytest.fixture
def book(tmp_path: Path) -> Book:
    return open_book(tmp_path / "book", create=True)


def rows_published(book: Book, kind: str) -> int:
    if not book.published.exists():
        return 0
    with read.Snapshot(book.published) as snapshot:
        return read.received(read.read_rows(snapshot.con), kind).height


def until(is_true: Callable[[], bool]) -> bool:
    """Waits for something that another process does."""
    for _ in range(PATIENCE_SECONDS * 5):
        if is_true():
            return True
        time.sleep(0.2)
    return False


def test_a_round_takes_folders_inbox_and_what_was_handed_over(
    book: Book, write_day: Callable[..., Path], tmp_path: Path, now
):
    day = write_day({"lines-0930.csv": None})
    (book.inbox / "lines-0930.csv").write_text("site_id,at,checkin_line\nP01,2026-11-03T09:15:00,12\n")
    (book.inbox / "holiday.csv").write_text("a\n1\n")
    said: list[str] = []
    with run.Writer(book, now) as writer:
        watcher = Watcher(writer, [day], [], said.append)
        watcher.round(now)
        assert not (book.inbox / "lines-0930.csv").exists() and (book.inbox / "refused" / "holiday.csv").exists()
        assert rows_published(book, "line-counts") == 1 and rows_published(book, "tickets") == 2
        before = writer.log.head.size
        watcher.round(now)
        assert writer.log.head.size == before  # nothing new, nothing logged
    assert any("holiday.csv: refused" in line for line in said)


def test_a_file_of_known_rows_makes_no_estimate_anew(
    book: Book, write_day: Callable[..., Path], now, monkeypatch: pytest.MonkeyPatch
):
    made: list[int] = []
    real = run.estimate_what_can
    monkeypatch.setattr(run, "estimate_what_can", lambda known: made.append(1) or real(known))
    day = write_day()
    with run.Writer(book, now) as writer:
        watcher = Watcher(writer, [day], [], lambda _: None)
        watcher.round(now)
        (day / "tickets-0945.csv").write_bytes((day / "tickets-0930.csv").read_bytes())
        watcher.round(now)
        assert len(made) == 1
        with read.Snapshot(book.published) as snapshot:  # its receipt is published all the same, beside the estimates
            assert (
                "tickets-0945.csv" in read.receipts_at(snapshot.con, now)["file"]
                and snapshot.estimate("lines") is not None
            )
        (day / "lines-0945.csv").write_text("site_id,at,checkin_line\nP01,2026-11-03T09:45:00,9\n")
        watcher.round(now)
        assert len(made) == 2


def test_a_slip_in_the_settings_does_not_stop_the_watch(book: Book, write_day: Callable[..., Path], now):
    said: list[str] = []
    with run.Writer(book, now) as writer:
        watcher = Watcher(writer, [write_day()], [], said.append)
        book.settings.write_text("[clocks]\ncorrect_above_minutes = nine\n")
        watcher.round(now)
        watcher.round(now)
    assert rows_published(book, "sites") == 2
    assert len([line for line in said if "settings.toml: not readable as TOML" in line]) == 1


def test_a_changed_file_in_a_watched_folder_is_taken_again(book: Book, write_day: Callable[..., Path], now):
    day = write_day()
    with run.Writer(book, now) as writer:
        watcher = Watcher(writer, [day], [], lambda _: None)
        watcher.round(now)
        with (day / "lines-0930.csv").open("a") as file:
            file.write("P01,2026-11-03T09:50:00,20,,\n")
        watcher.round(now)
        assert read.received(writer.rows(), "line-counts").height == 3


@pytest.fixture
def watching(book: Book, write_day: Callable[..., Path]) -> Iterator[subprocess.Popen[str]]:
    arrivals = write_day({"tickets-0930.csv": None})
    process = subprocess.Popen([COMMAND, "watch", arrivals, "--book", book.folder], stderr=subprocess.PIPE, text=True)
    assert until(lambda: rows_published(book, "sites") == 2)
    yield process
    if process.poll() is None:
        process.kill()
        process.wait()


def test_take_hands_its_files_to_the_watcher_and_waits_for_receipts(watching, book: Book, tmp_path: Path):
    path = tmp_path / "tickets-0930.csv"
    path.write_text(
        "ticket_id,opened_at,site,text,status\nK1,2026-11-03T09:10:00,Marlpit,jam,open\nK2,never,Marlpit,jam,open\n"
    )
    words = [COMMAND, "take", path, "--book", book.folder, "--received", "2026-11-03T15:30:00Z"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=PATIENCE_SECONDS, check=False)
    assert (
        done.returncode == 0
        and "2 rows read, 1 accepted, 0 already known, 0 superseded, 1 in quarantine" in done.stdout
    )
    assert "opened_at: 'never'" in done.stdout and not list(book.inbox.glob("take-*"))
    second = subprocess.run(
        [COMMAND, "watch", tmp_path, "--book", book.folder], capture_output=True, text=True, check=False
    )
    assert second.returncode == 1 and "another process is writing this book" in second.stderr
    assert second.stderr.count("\n") == 1
    watching.send_signal(signal.SIGTERM)
    assert watching.wait(PATIENCE_SECONDS) == 0 and "Stopped." in watching.stderr.read()
    assert rows_published(book, "tickets") == 1 and log.verify(book.log).size > 0


def test_a_killed_watcher_loses_nothing_that_was_acknowledged(
    watching, book: Book, write_day: Callable[..., Path], now
):
    size = log.verify(book.published).size
    os.kill(watching.pid, signal.SIGKILL)
    watching.wait()
    (book.folder / ".publishing-1.duckdb").write_bytes(b"half")
    with run.Writer(book, now) as writer:
        assert writer.log.head.size >= size and not list(book.folder.glob(".publishing-*"))
    assert log.verify(book.log).size >= size


def test_handed_files_wait_in_the_inbox_where_nobody_answers(
    book: Book, write_day: Callable[..., Path], now, monkeypatch
):
    monkeypatch.setattr(handover, "PATIENCE_SECONDS", 0)
    with pytest.raises(handover.BookBusy, match="The files wait in"):
        handover.hand_over(book, gather([write_day()], now))
    with run.Writer(book, now) as writer:
        Watcher(writer, [], [], lambda _: None).round(now)
        assert read.received(writer.rows(), "sites").height == 2
