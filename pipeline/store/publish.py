"""The published snapshot: a copy of the log with the newest estimates, put in place by one atomic rename."""

import os
import shutil
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.store.book import Book
from pipeline.store.log import Log, connect

TEMPORARY = ".publishing-"


class Times(NamedTuple):
    """The times that estimates answer for: the tickets, the lines that all stand on, and the rest."""

    at: datetime | None
    lines_at: datetime | None
    rest_at: datetime | None


def publish(
    book: Book,
    log: Log,
    estimates: Mapping[str, pl.DataFrame],
    failed: Mapping[str, str],
    times: Times,
    now: datetime,
) -> None:
    """Publishes the log as it stands, with estimates.

    Parameters
    ----------
    log : the book's log, open for writing; its file is copied after a checkpoint
    estimates : WHAT → frame; empty where none were computed
    failed : WHAT → why there is no estimate of it
    times : the times that they answer for
    now : the time of publishing
    """
    log.checkpoint()
    temporary = book.folder / f"{TEMPORARY}{os.getpid()}.duckdb"
    shutil.copyfile(book.log, temporary)
    con = connect(temporary)
    con.execute("begin")  # each table by itself would be forced to the disk by itself
    con.execute(
        "create table published "
        "(version bigint, published_at timestamptz, answers_at timestamptz, lines_at timestamptz, rest_at timestamptz)"
    )
    con.execute("insert into published values (?, ?, ?, ?, ?)", [log.head.size, now, *times])
    con.execute("create table failed (what varchar, reason varchar)")
    for what, reason in failed.items():
        con.execute("insert into failed values (?, ?)", [what, reason])
    for what, frame in estimates.items():
        con.register("estimate", frame.to_arrow())
        con.execute(f"create table estimate_{what} as select * from estimate")
        con.unregister("estimate")
    con.execute("commit")
    con.execute("checkpoint")
    con.close()
    sync(temporary)
    os.replace(temporary, book.published)
    sync(book.folder)


def sync(path: Path) -> None:
    """Forces a file or a folder's entry to the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def clear_temporaries(book: Book) -> None:
    """Removes what a publisher that was killed has left behind."""
    for stale in book.folder.glob(f"{TEMPORARY}*"):
        stale.unlink(missing_ok=True)
