"""Entries on their way: whole or not there, private, and taken by the writer like any other file."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.contracts.feeds import schema_of
from pipeline.normalise.entered import said
from pipeline.store import inbox
from pipeline.store.book import Book, open_book

AT = datetime(2026, 11, 3, 16, tzinfo=UTC)


@pytest.fixture
def book(tmp_path: Path) -> Book:
    return open_book(tmp_path / "book", create=True)


def test_an_entry_has_the_columns_of_its_feed_and_an_id_of_its_own():
    one, two = (inbox.entry("note", "Ada", AT, "T-1", {"text": "seen", "why": None}) for _ in range(2))
    assert set(one) <= set(schema_of("entries").columns)
    assert one["entry_id"] != two["entry_id"]
    assert said(one["values"]) == {"text": "seen"}


def test_a_file_left_is_whole_private_and_listed_until_it_is_taken(book: Book):
    name = inbox.drop(book, [inbox.entry("note", "Ada", AT, "T-1", {"text": "🗳 <b>"})])
    path = book.inbox / name
    assert path.stat().st_mode & 0o077 == 0
    assert [p.name for p in book.inbox.iterdir()] == [name]
    waiting = inbox.waiting(book)
    assert [w.name for w in waiting] == [name]
    assert said(waiting[0].entries[0]["values"]) == {"text": "🗳 <b>"}
    path.unlink()
    assert inbox.waiting(book) == []


def test_a_half_written_file_is_not_shown(book: Book):
    (book.inbox / f".{inbox.STEM}x.jsonl.part").write_text(json.dumps({"entry_id": "x"})[:-3])
    assert inbox.waiting(book) == []
