"""The log tells where it was tampered with, to the entry."""

from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from pipeline import run
from pipeline.errors import BookBroken, BookError
from pipeline.normalise.entries import entry_frame, plain_entry
from pipeline.store import log, read
from pipeline.store.book import Book, open_book


@pytest.fixture
def book(write_day: Callable[..., Path], tmp_path: Path, now) -> Book:
    run.take([write_day()], tmp_path / "book", now)
    return open_book(tmp_path / "book")


def tamper(book: Book, statement: str) -> None:
    with duckdb.connect(str(book.log)) as con:
        con.execute(statement)


def test_an_untouched_log_is_whole(book: Book):
    head = log.verify(book.log)
    assert head.size > 20 and log.missing_originals(book.log, book.originals) == []


def test_taking_more_keeps_it_whole_and_growing(book: Book, write_day, now):
    before = log.verify(book.log).size
    run.take([write_day({"lines-1000.csv": "site_id,at,checkin_line\nP01,2026-11-03T10:00:00,4\n"})], book.folder, now)
    assert log.verify(book.log).size > before


@pytest.mark.parametrize(
    ("statement", "message"),
    [
        ("update log set body = replace(body, 'Marlpit', 'Marlput') where seq = 3", "entry 3: its text differs"),
        ("update log set key = 'P99' where seq = 5", "entry 5: its index differs"),
        ("update log set received_at = received_at - interval 1 hour where seq = 6", "entry 6: its index differs"),
        ("delete from log where seq = 7", "entry 7: missing"),
        (
            "update heads set root = repeat('0', 64) where size = (select max(size) from heads)",
            "whose tree head differs",
        ),
        ("delete from heads where size = (select max(size) from heads)", "no tree head covers"),
        ("delete from log where seq = (select max(seq) from log)", "missing, the tree head counts"),
    ],
)
def test_what_was_changed_is_named(book: Book, statement: str, message: str):
    tamper(book, statement)
    with pytest.raises(BookBroken, match=message):
        log.verify(book.log)


def test_a_changed_entry_with_a_recomputed_leaf_still_breaks_the_tree_head(book: Book):
    with duckdb.connect(str(book.log)) as con:
        body = con.sql("select body from log where seq = 3").fetchall()[0][0].replace("Marlpit", "Marlput")
        con.execute("update log set body = ?, leaf = ? where seq = 3", [body, log.tree.leaf_hash(body.encode())])
    with pytest.raises(BookBroken, match="whose tree head differs"):
        log.verify(book.log)


def test_a_changed_original_is_named(book: Book):
    kept = next(p for p in book.originals.iterdir() if p.read_bytes().startswith(b"site_id,name"))
    kept.write_bytes(kept.read_bytes() + b" ")
    assert "sites.csv" in log.missing_originals(book.log, book.originals)[0]


FORMAT_1 = """
create table log (seq bigint, type varchar, kind varchar, key varchar, content_key varchar, content_hash varchar,
    file varchar, "row" bigint, received_at timestamptz, body varchar, leaf blob);
create table heads (size bigint, root varchar, peaks varchar, headed_at timestamptz);
"""


@pytest.fixture
def older(book: Book) -> Book:
    """The same log as a version before the format's number wrote it: digests as hex text."""
    with duckdb.connect(str(book.log)) as con:
        hexed = "hex(content_key).lower() as content_key, hex(content_hash).lower() as content_hash"
        con.execute(f"create table entries as select * replace ({hexed}) from log order by seq")
        con.execute("create table roots as select * from heads; drop table log; drop table heads; drop table format")
        con.execute(f"set timezone = 'UTC'; {FORMAT_1}")
        con.execute("insert into log select * from entries; insert into heads select * from roots")
        con.execute("drop table entries; drop table roots")
    return book


def test_a_log_of_the_older_format_is_read_and_verified_and_not_written(older: Book, write_day, now):
    assert log.verify(older.log).size > 20
    con = log.connect(older.log, read_only=True)
    assert read.known_at(read.read_rows(con), now).tickets.height == 2
    con.close()
    with pytest.raises(BookError, match="written in format 1, and this version writes format 2"):
        run.take([write_day()], older.folder, now)


def test_a_batch_that_fails_halfway_leaves_the_log_as_it_was(book: Book, now):
    before = log.verify(book.log).size
    writer = log.Log(book.log)
    entry = entry_frame([plain_entry("settings", "settings", "settings", now, text="x")])

    def parts():
        yield entry
        yield entry
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        writer.append_all(parts(), now)
    assert writer.append(entry, now).size == before + 1
    writer.close()
    assert log.verify(book.log).size == before + 1


def test_a_batch_in_parts_has_the_tree_head_of_the_batch_at_once(tmp_path: Path, now):
    entries = entry_frame(plain_entry("settings", "settings", str(n), now, text="x") for n in range(23))
    whole, parts = log.Log(tmp_path / "a.duckdb"), log.Log(tmp_path / "b.duckdb")
    assert whole.append(entries, now) == parts.append_all(entries.iter_slices(5), now)
    whole.close(), parts.close()


def test_small_batches_are_folded_into_few_row_groups_in_the_end(tmp_path: Path, now):
    entry = entry_frame([plain_entry("settings", "settings", "settings", now, text="x")])
    groups = "select count(distinct row_group_id) from pragma_storage_info('log')"
    writer = log.Log(tmp_path / "a.duckdb")
    counted = []
    for _ in range(log.FOLD_EVERY):
        writer.append(entry, now)
        writer.checkpoint()
        counted += writer.con.sql(groups).fetchall()[0]
    writer.close()
    assert counted[-2:] == [log.FOLD_EVERY - 1, 1]
    assert log.verify(tmp_path / "a.duckdb").size == log.FOLD_EVERY


def test_people_are_kept_apart_and_can_be_deleted(book: Book):
    assert book.people.stat().st_mode & 0o777 == 0o600 and book.secret.stat().st_mode & 0o777 == 0o600
    assert book.originals.stat().st_mode & 0o777 == 0o700 == book.inbox.stat().st_mode & 0o777
    book.people.unlink()
    assert log.verify(book.log).size > 20
