"""A row in quarantine can be corrected; who and why are kept, and the original stays."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline import run
from pipeline.errors import UsageError
from pipeline.sources.profile import profile_of
from pipeline.store import log, mend, read
from pipeline.store.book import Book, open_book
from pipeline.store.log import connect
from pipeline.store.quarantine import quarantine_at

BAD = "site_id,at,checkin_line,scanner_line\nP01,2026-11-03T09:50:00,twelve,1\nP02,2026-11-03T09:50:00,7,0\n"
RECEIVED = datetime(2026, 11, 3, 16, tzinfo=UTC)
NAME = "lines-1000.csv"


@pytest.fixture
def book(write_day: Callable[..., Path], tmp_path: Path, now) -> Book:
    run.take([write_day({NAME: BAD})], tmp_path / "book", now, received=RECEIVED)
    return open_book(tmp_path / "book")


def correct(book: Book, tmp_path: Path, now: datetime, values: dict[str, str]) -> list:
    con = connect(book.log, read_only=True)
    line = mend.mend_line(mend.find(con, NAME, 2), values, "A. Clerk", "read back by phone", now)
    con.close()
    path = tmp_path / f"entries-{len(list(tmp_path.glob('entries*')))}.jsonl"
    path.write_text(line)
    return run.take([path], book.folder, now, received=now)


def counts_at(book: Book, at: datetime) -> pl.DataFrame:
    with read.Snapshot(book.published) as snapshot:
        return read.known_at(read.read_rows(snapshot.con), at).line_counts.filter(pl.col("site_id") == "P01")


def quarantine(book: Book, at: datetime) -> int:
    with read.Snapshot(book.published) as snapshot:
        return quarantine_at(snapshot.con, read.read_rows(snapshot.con), at).height


def test_a_mended_row_counts_from_the_mend_on(book: Book, tmp_path: Path, now):
    receipts = correct(book, tmp_path, now, {"checkin_line": "12"})
    assert [(r.kind, r.accepted) for r in receipts] == [("entries", 1), ("line-counts", 1)]
    before = now - timedelta(minutes=1)
    assert counts_at(book, before)["checkin_line"].to_list() == [
        12.0
    ]  # the count at 09:15 that was good from the start
    assert sorted(counts_at(book, now)["at"].dt.strftime("%H:%M")) == ["15:15", "15:50"]
    assert quarantine(book, before) == 1 and quarantine(book, now) == 0


def test_who_and_why_are_logged_and_the_log_stays_whole(book: Book, tmp_path: Path, now):
    correct(book, tmp_path, now, {"checkin_line": "12"})
    con = connect(book.log, read_only=True)
    mends = con.sql("select body from log where kind = 'entries' and type = 'row'").fetchall()
    kept = con.sql("select count(*) from log where type = 'quarantine'").fetchall()
    con.close()
    assert len(mends) == 1 and "read back by phone" in mends[0][0] and "Clerk" not in mends[0][0] and kept == [(1,)]
    assert log.verify(book.log).size > 0


def test_a_mend_that_is_itself_wrong_leaves_the_row_in_quarantine(book: Book, tmp_path: Path, now):
    receipts = correct(book, tmp_path, now, {"checkin_line": "dozen"})
    assert receipts[-1].quarantined == 1 and quarantine(book, now) >= 1
    assert [(r["row"], r["column"], r["value"], r["reason"]) for r in receipts[-1].reasons] == [
        (2, "checkin_line", "dozen", "not a number; expected people waiting for check-in [count], 0 to 100000")
    ]
    assert correct(book, tmp_path, now + timedelta(minutes=1), {"checkin_line": "12"})[-1].accepted == 1


def test_only_rows_in_quarantine_and_columns_of_the_kind_can_be_mended(book: Book):
    con = connect(book.log, read_only=True)
    with pytest.raises(UsageError, match="row 3: not in quarantine"):
        mend.find(con, NAME, 3)
    with pytest.raises(UsageError, match="--set colour: no column of line-counts"):
        mend.check_columns(mend.find(con, NAME, 2), {"colour": "red"})
    con.close()


def test_a_row_read_by_a_profile_is_mended_by_it_however_often_it_takes(write_day, tmp_path: Path, now):
    theirs = BAD.replace("checkin_line", "Waiting").replace("site_id", "Place")
    profile = profile_of({"kind": "line-counts", "columns": {"site_id": "Place", "checkin_line": "Waiting"}}, "")
    run.take([write_day({NAME: theirs})], tmp_path / "book", now, received=RECEIVED, profiles=[profile])
    book = open_book(tmp_path / "book")
    for minute, text in ((1, "dozen"), (2, "several"), (3, "12")):
        receipts = correct(book, tmp_path, now + timedelta(minutes=minute), {"checkin_line": text})
    assert receipts[-1].accepted == 1 and quarantine(book, now + timedelta(minutes=3)) == 0


@pytest.mark.parametrize("target", ["{sha} row 3", "{sha} row 99", "{sha} row " + "9" * 30, "{sha} row ²", "x row 2"])
def test_a_mend_of_what_is_not_in_quarantine_changes_nothing(book: Book, tmp_path: Path, now, target: str):
    con = connect(book.log, read_only=True)
    sha = mend.find(con, NAME, 2).sha
    con.close()
    values = json.dumps({"set": {"checkin_line": "12"}, "why": "phoned"})
    entry = {"entry_id": "m", "at": now.isoformat(), "by": "A. Clerk", "action": "mend", "values": values}
    path = tmp_path / "entries-odd.jsonl"
    path.write_text(json.dumps(entry | {"target": target.format(sha=sha)}))
    receipts = run.take([path], book.folder, now, received=now)
    assert [(r.kind, r.accepted) for r in receipts] == [("entries", 1)] and quarantine(book, now) == 1
