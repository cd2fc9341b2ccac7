"""Estimates beside the intake: news is published on the lines made last, and the complete answer follows."""

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline import run
from pipeline.beside import Beside
from pipeline.contracts.estimates import AWAITED, ESTIMATES, WITHOUT_LINES
from pipeline.contracts.known import Known
from pipeline.store import read
from pipeline.store.book import Book, open_book
from pipeline.watch import Watcher

PATIENCE_SECONDS = 120
NOW = datetime(2026, 11, 3, 16, tzinfo=UTC)  # people vote
CALL = "ticket_id,opened_at,site,text,status\nK77,2026-11-03T09:44:00,Marlpit,our scanner jams,open\n"


@pytest.fixture(scope="module")
def process() -> Iterator[Beside]:
    with Beside() as found:
        yield found


@pytest.fixture
def beside(process: Beside) -> Beside:
    """The one process, with nothing left to answer that another test has asked."""
    until = time.monotonic() + PATIENCE_SECONDS
    while process.is_at_work() and time.monotonic() < until:
        process.done()
        time.sleep(0.05)
    assert not process.is_at_work()
    return process


class AsTold(Beside):
    """One that answers what a test tells, when it tells it."""

    tells: run.Estimated | None = None

    def warm_up(self) -> None: ...

    def begin(self, known: Known, is_in_turn: bool = False) -> bool:
        self._is_at_work = True
        return True

    def done(self) -> run.Estimated | None:
        told, self.tells = self.tells, None
        self._is_at_work = self._is_at_work and (told is None or told.is_awaited)
        return told


def published(book: Book) -> tuple[dict, dict]:
    """What a snapshot says of itself, and its estimates."""
    with read.Snapshot(book.published) as snapshot:
        return snapshot.meta(), {what: snapshot.estimate(what) for what in ("tickets", "lines", "dispatch")}


def begun(writer: run.Writer, day: Path, beside: Beside) -> Watcher:
    """A watcher of a book whose lines have been published."""
    Watcher(writer, [day], [], lambda _: None).round(NOW)
    watcher = Watcher(writer, [day], [], lambda _: None, beside=beside)
    watcher.round(NOW)
    return watcher


def awaited(book: Book) -> set[str]:
    """The estimates that a snapshot says are being worked out."""
    with read.Snapshot(book.published) as snapshot:
        return {what for what, why in snapshot.failed().items() if why == AWAITED}


def until_complete(watcher: Watcher, book: Book, now: datetime) -> dict:
    """Rounds until the lines are of the time of everything else."""
    for _ in range(PATIENCE_SECONDS * 10):
        watcher.round(now)
        meta, _ = published(book)
        if meta["lines_at"] == meta["at"] and not awaited(book):
            return meta
        time.sleep(0.1)
    raise AssertionError("the complete answer never came")


def test_a_ticket_is_published_on_the_lines_made_last_and_the_complete_answer_follows(
    write_day: Callable[..., Path], tmp_path: Path, beside: Beside
):
    book, day, later = open_book(tmp_path / "book", create=True), write_day(), NOW + timedelta(minutes=1)
    with run.Writer(book, NOW) as writer:
        watcher = begun(writer, day, beside)
        (day / "tickets-0945.csv").write_text(CALL)
        watcher.round(later)
        meta, frames = published(book)
        assert (meta["at"], meta["lines_at"]) == (later, NOW)
        assert "K77" in frames["tickets"]["ticket_id"] and set(frames["lines"]["at"]) == {NOW}
        # What is published is a function of the rows by its two stated times, and of nothing else.
        then = run.estimate_what_can(read.known_at(writer.rows(), NOW)).lines
        again = run.estimate_what_can(read.known_at(writer.rows(), later), then)
        assert all(again.frames[what].equals(frame) for what, frame in frames.items())
        until_complete(watcher, book, later)
        expected = run.estimate_all(read.known_at(writer.rows(), later), ("tickets", "lines", "dispatch"))
        assert all(expected[what].equals(frame) for what, frame in published(book)[1].items())


def another_call(number: int, minute: int) -> str:
    head, row = CALL.splitlines()
    return f"{head}\n{row.replace('K77', f'K{number}').replace('09:44', f'09:{minute}')}\n"


def test_the_rest_waits_for_what_arrives_and_comes_to_an_end_all_the_same(
    write_day: Callable[..., Path], tmp_path: Path, beside: Beside, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("pipeline.beside.AT_LEAST_SECONDS", 0.0)
    book, day = open_book(tmp_path / "book", create=True), write_day()
    first, second = NOW + timedelta(minutes=1), NOW + timedelta(minutes=2)
    with run.Writer(book, NOW) as writer:
        watcher = begun(writer, day, beside)
        then = writer.shown.lines
        (day / "tickets-0945.csv").write_text(CALL)
        watcher.round(first, has_arrived=lambda: True)
        meta, frames = published(book)
        assert (meta["at"], meta["rest_at"], meta["lines_at"]) == (first, NOW, NOW)
        assert "K77" in frames["tickets"]["ticket_id"]
        assert frames["dispatch"].equals(run.estimate_all(read.known_at(writer.rows(), NOW), ("dispatch",))["dispatch"])
        (day / "tickets-0946.csv").write_text(another_call(78, 46))
        rounds = 0
        while published(book)[0]["rest_at"] == NOW:
            watcher.round(second, has_arrived=lambda: True)
            rounds += 1
        assert rounds > 2  # a piece each
        meta, frames = published(book)
        # The tickets are the newest ones, everything else answers for its own time, all on the same lines.
        lines = then if meta["lines_at"] == NOW else writer.shown.lines
        newest = run.estimate_what_can(read.known_at(writer.rows(), second), lines)
        rest = run.estimate_what_can(read.known_at(writer.rows(), meta["rest_at"]), lines)
        assert meta["at"] == second and frames["tickets"].equals(newest.frames["tickets"])
        assert {"K77", "K78"} <= set(frames["tickets"]["ticket_id"])
        assert frames["dispatch"].equals(rest.frames["dispatch"])
        until_complete(watcher, book, second)


def test_a_writer_that_has_published_its_lines_does_not_work_them_out_again_for_a_ticket(
    write_day: Callable[..., Path], tmp_path: Path, beside: Beside, monkeypatch: pytest.MonkeyPatch
):
    book, day, later = open_book(tmp_path / "book", create=True), write_day(), NOW + timedelta(minutes=1)
    with run.Writer(book, NOW) as writer:
        Watcher(writer, [day], [], lambda _: None).round(NOW)
        monkeypatch.setattr(run, "estimate_what_can", lambda *_: pytest.fail("the intake waited"))
        (day / "tickets-0945.csv").write_text(CALL)
        Watcher(writer, [day], [], lambda _: None, beside=beside).round(later)
        meta, frames = published(book)
        assert (meta["at"], meta["lines_at"]) == (later, NOW) and "K77" in frames["tickets"]["ticket_id"]


def test_a_writer_that_is_begun_anew_stands_on_the_lines_that_were_published_unless_they_are_old(
    write_day: Callable[..., Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    book, day = open_book(tmp_path / "book", create=True), write_day()
    soon, long_after = NOW + timedelta(minutes=1), NOW + run.RECALLED + timedelta(minutes=1)
    with run.Writer(book, NOW) as writer:
        Watcher(writer, [day], [], lambda _: None).round(NOW)
        then = writer.shown.lines
    (day / "tickets-0945.csv").write_text(CALL)
    with run.Writer(book, soon) as writer, Beside() as beside, monkeypatch.context() as patched:
        patched.setattr(run, "estimate_what_can", lambda *_: pytest.fail("the intake waited"))
        Watcher(writer, [day], [], lambda _: None, beside=beside).round(soon)
        meta, frames = published(book)
        assert (meta["at"], meta["lines_at"]) == (soon, NOW)
    with run.Writer(book, soon) as writer:
        again = run.estimate_what_can(read.known_at(writer.rows(), soon), then)
        assert all(again.frames[what].equals(frame) for what, frame in frames.items())
    (day / "tickets-0946.csv").write_text(another_call(78, 46))
    with run.Writer(book, long_after) as writer, Beside() as beside:
        watcher = Watcher(writer, [day], [], lambda _: None, beside=beside)
        watcher.round(long_after)
        assert set(ESTIMATES) == awaited(book)
        assert until_complete(watcher, book, long_after)["lines_at"] == long_after


def test_lines_of_another_roster_are_never_stood_on(write_day: Callable[..., Path], tmp_path: Path, beside: Beside):
    book, day, later = open_book(tmp_path / "book", create=True), write_day(), NOW + timedelta(minutes=1)
    with run.Writer(book, NOW) as writer:
        watcher = begun(writer, day, beside)
        book.settings.write_text("[clocks]\ncorrect_above_minutes = 9\n")
        watcher.round(later)
        assert published(book)[0]["lines_at"] == later


def test_a_process_that_dies_is_begun_anew(write_day: Callable[..., Path], tmp_path: Path):
    book, day, later = open_book(tmp_path / "book", create=True), write_day(), NOW + timedelta(minutes=2)
    with run.Writer(book, NOW) as writer, Beside() as beside:
        watcher = begun(writer, day, beside)
        (day / "tickets-0945.csv").write_text(CALL)
        watcher.round(NOW + timedelta(minutes=1))
        assert beside._process is not None
        beside._process.kill()
        beside._process.join()
        assert until_complete(watcher, book, later)["at"] == later


def test_a_first_start_publishes_what_has_come_without_waiting_for_the_lines_and_then_the_complete_answer(
    write_day: Callable[..., Path], tmp_path: Path, beside: Beside, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(run, "estimate_what_can", lambda *_: pytest.fail("the intake waited"))
    book, day, later = open_book(tmp_path / "book", create=True), write_day(), NOW + timedelta(minutes=1)
    with run.Writer(book, NOW) as writer:
        watcher = Watcher(writer, [day], [], lambda _: None, beside=beside)
        watcher.round(NOW)
        assert awaited(book) == set(ESTIMATES) and published(book)[0]["at"] == NOW
        (day / "tickets-0945.csv").write_text(CALL)
        watcher.round(later)  # a call comes while the first lines are being worked out
        with read.Snapshot(book.published) as snapshot:
            assert "K77" in read.known_at(read.read_rows(snapshot.con), later).tickets["ticket_id"]
        until_complete(watcher, book, later)
        expected = run.estimate_all(read.known_at(writer.rows(), later), ("tickets", "lines", "dispatch"))
        assert all(expected[what].equals(frame) for what, frame in published(book)[1].items())


def test_what_needs_no_lines_is_published_before_them_and_stays_beside_a_call_that_comes_meanwhile(
    write_day: Callable[..., Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(run, "estimate_what_can", lambda *_: pytest.fail("the intake waited"))
    book, day, later = open_book(tmp_path / "book", create=True), write_day(), NOW + timedelta(minutes=1)
    with run.Writer(book, NOW) as writer, AsTold() as beside:
        watcher = Watcher(writer, [day], [], lambda _: None, beside=beside)
        watcher.round(NOW)
        watcher.round(NOW)  # asks
        early, complete = run.estimate_in_turn(read.known_at(writer.rows(), NOW))
        beside.tells = early
        watcher.round(NOW)
        assert awaited(book) == set(ESTIMATES) - set(WITHOUT_LINES)
        (day / "tickets-0945.csv").write_text(CALL)
        watcher.round(later)
        meta, _ = published(book)
        assert (meta["at"], meta["rest_at"]) == (later, NOW)
        assert awaited(book) == set(ESTIMATES) - set(WITHOUT_LINES)
        beside.tells = complete
        watcher.round(later)  # the complete answer has the call beside it at once
        meta, frames = published(book)
        assert (meta["at"], meta["lines_at"]) == (later, NOW) and "K77" in frames["tickets"]["ticket_id"]
        whole = run.estimate_all(read.known_at(writer.rows(), NOW), WITHOUT_LINES)
        assert all(whole[what].equals(frame) and complete.frames[what].equals(frame)
                   for what, frame in early.frames.items()) and set(early.frames) == set(WITHOUT_LINES)  # fmt: skip


def test_a_writer_without_lines_to_recall_does_not_load_the_estimates_for_it(
    write_day: Callable[..., Path], tmp_path: Path
):
    # `wardbook take` leaves a book so; loading takes seconds, in which the first call waited
    run.take([write_day()], tmp_path / "book", NOW)
    code = (
        "import sys; from datetime import datetime, UTC; from pathlib import Path; from pipeline import run; "
        "from pipeline.store.book import open_book; now = datetime(2026, 11, 3, 16, tzinfo=UTC)\n"
        "with run.Writer(open_book(Path(sys.argv[1])), now) as writer: writer.recall(now)\n"
        "assert writer.shown.lines is None and 'pipeline.estimates.answers' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "book")], check=True)


def test_a_process_that_dies_over_the_first_lines_leaves_them_to_the_writer(
    write_day: Callable[..., Path], tmp_path: Path
):
    book, day = open_book(tmp_path / "book", create=True), write_day()
    with run.Writer(book, NOW) as writer, Beside() as beside:
        watcher = Watcher(writer, [day], [], lambda _: None, beside=beside)
        watcher.round(NOW)
        watcher.round(NOW)
        assert beside._process is not None
        beside._process.kill()
        beside._process.join()
        assert until_complete(watcher, book, NOW + timedelta(minutes=2))["lines_at"] == NOW + timedelta(minutes=2)
