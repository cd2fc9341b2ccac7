"""What the board shows: the published snapshot, or what was known at an earlier time; read, never written.

The book's folder comes in the environment (`WARDBOOK_BOOK`). Pictures are kept by (log version, time), so that many
readers of the same moment cost one computation.
"""

import gc
import json
import os
import threading
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import streamlit as st

from pipeline.contracts.estimates import ESTIMATES
from pipeline.contracts.known import Known, empty
from pipeline.errors import BookEmpty
from pipeline.estimates import Answers
from pipeline.store import read
from pipeline.store.book import Book
from pipeline.store.quarantine import quarantine_at

ENVIRONMENT = "WARDBOOK_BOOK"
PICTURES_KEPT = 6  # moments of a county kept in memory [count]; each holds its frames
HISTORIES_KEPT = 64  # earlier moments of the lines kept [count]; small frames
STEP = timedelta(minutes=5)  # grid of the past [min]


@dataclass(frozen=True)
class Picture:
    """Everything shown for one moment; what was not published is worked out when a page asks for it, and kept."""

    folder: str
    version: int
    at: datetime
    is_live: bool
    known: Known
    receipts: pl.DataFrame
    first_at: datetime
    newest_at: datetime
    frames: dict[str, pl.DataFrame]
    answers: Answers
    failed: dict[str, str] = field(default_factory=dict)
    lock: threading.RLock = field(default_factory=threading.RLock)

    @property
    def zone(self) -> str:
        return self.known.county.zone

    def answer(self, what: str) -> pl.DataFrame:
        """One of the estimates; empty, with the reason in `failed`, where it cannot be made."""
        with self.lock:
            if what not in self.frames:
                try:
                    self.frames[what] = self.answers.answer(what)
                except Exception as error:  # a fault in one estimate must not cost the night the others
                    self.failed[what] = f"{type(error).__name__}: {error}".splitlines()[0]
                    self.frames[what] = empty(ESTIMATES[what])
            return self.frames[what]

    def last_received(self, kind: str) -> datetime | None:
        """When a file of a kind came last."""
        found = self.receipts.filter((pl.col("kind") == kind) & pl.col("refused").is_null())["received_at"].max()
        return found if isinstance(found, datetime) else None


@dataclass
class Decoded:
    """The rows of one book, decoded once; later entries are added."""

    rows: read.Rows = field(default_factory=read.Rows)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def read(self, con: duckdb.DuckDBPyConnection) -> read.Rows:
        """The rows as they stand in a snapshot."""
        with self.lock:
            fresh = read.read_rows(con, self.rows)
            if fresh.upto < self.rows.upto:  # another book has taken the folder's place
                fresh = read.read_rows(con)
            self.rows = fresh
            return fresh


@st.cache_resource(max_entries=2)
def decoded(folder: str) -> Decoded:
    """The store of decoded rows of a book."""
    return Decoded()


def folder() -> Path:
    """The book's folder.

    Raises
    ------
    BookEmpty : if no book was named.
    """
    named = os.environ.get(ENVIRONMENT)
    if not named:
        raise BookEmpty("No book was named. Start the board with `wardbook board --book BOOK`.")
    return Path(named)


def signature() -> tuple[int, int] | None:
    """Changes whenever a new snapshot is published; costs one look at the file's entry."""
    try:
        found = Book(folder()).published.stat()
    except (OSError, BookEmpty):
        return None
    return found.st_ino, found.st_mtime_ns


def published_at() -> datetime | None:
    """When the snapshot was published, by its writer's clock."""
    try:
        with read.Snapshot(Book(folder()).published) as snapshot:
            found = snapshot.meta()["published_at"]
    except BookEmpty:
        return None
    return found if isinstance(found, datetime) else None


def current(as_of: datetime | None) -> Picture:
    """The picture of the present (None) or of a past moment.

    Raises
    ------
    BookEmpty : if nothing has been published, or the county was not known by then.
    """
    book = Book(folder())
    with read.Snapshot(book.published) as snapshot:
        meta = snapshot.meta()
        at = as_of or meta["at"]
        return picture(str(book.folder), meta["version"], at, as_of is None, snapshot)


@st.cache_resource(max_entries=PICTURES_KEPT, show_spinner="Working out what was known then …")
def picture(folder: str, version: int, at: datetime | None, is_live: bool, _snapshot: read.Snapshot) -> Picture:
    """One moment, computed or, for the present, as published."""
    rows = decoded(folder).read(_snapshot.con)
    newest = read.newest_receipt(_snapshot.con)
    if newest is None:
        raise BookEmpty(f"{folder}: nothing has been taken in yet. `wardbook take FILES --book {folder}` does.")
    moment = at or newest
    known = read.known_at(rows, moment)
    published = {what: _snapshot.estimate(what) for what in ESTIMATES} if is_live and at else {}
    frames = {what: frame for what, frame in published.items() if frame is not None}
    receipts = read.receipts_at(_snapshot.con, moment)
    return Picture(
        folder, version, moment, is_live, known, receipts, first_known(rows, newest), newest, frames, Answers(known)
    )


def first_known(rows: read.Rows, newest: datetime) -> datetime:
    """The first time for which anything can be said: the county's facts have to be known."""
    first = read.received(rows, "county")["received_at"].min()
    return first if isinstance(first, datetime) else newest


OUTLINE = "map.geojson"  # in the book's folder: a border, roads; drawn beneath the map
LARGEST_OUTLINE = 5_000_000  # of that file [bytes]; more would slow every open map: our choice


@st.cache_data(max_entries=2, show_spinner=False)
def outline(folder: str) -> tuple[list[dict[str, Any]], str | None]:
    """The features of the county's own map file, and why there are none if it cannot be used."""
    path = Path(folder) / OUTLINE
    if not path.exists():
        return [], None
    if path.stat().st_size > LARGEST_OUTLINE:
        return [], f"{OUTLINE} is larger than {LARGEST_OUTLINE / 1e6:.0f} MB and is left out. Simplify it."
    try:
        found = json.loads(path.read_text("utf-8"))
        features = found["features"] if found.get("type") == "FeatureCollection" else [found]
        return [f for f in features if isinstance(f, dict) and f.get("type")], None
    except (ValueError, KeyError, TypeError, AttributeError, OSError) as error:
        return [], f"{OUTLINE} cannot be read ({type(error).__name__}). Export it as GeoJSON in degrees."


def moments(picture: Picture) -> list[datetime]:
    """The past moments that can be chosen, every five minutes from the first receipt to the newest."""
    step = STEP.total_seconds()
    start = -(-picture.first_at.timestamp() // step) * step
    end = max(picture.newest_at.timestamp(), start)
    zone = picture.at.tzinfo
    found = [datetime.fromtimestamp(start + n * step, zone) for n in range(int((end - start) // step) + 1)]
    return found if found[-1].timestamp() == end else [*found, picture.newest_at]


def intake_by_kind(picture: Picture) -> dict[str, dict[str, int]]:
    """Rows by outcome for each kind of feed, as the review prints them."""
    with read.Snapshot(Book(Path(picture.folder)).published) as snapshot:
        return read.intake_by_kind(snapshot.con, picture.at)


def quarantine(picture: Picture) -> pl.DataFrame:
    """Rows in quarantine at the picture's time, with their reasons."""
    return quarantine_of(picture.folder, picture.version, picture.at)


def sha_of(picture: Picture, name: str, row: int) -> str | None:
    """The SHA-256 of the file of that name whose row is in quarantine."""
    with read.Snapshot(Book(Path(picture.folder)).published) as snapshot:
        found = snapshot.con.sql(
            "select q.file from log q join log f on f.type = 'file' and f.file = q.file and f.key = $name "
            "where q.type = 'quarantine' and q.\"row\" = $row order by f.seq desc limit 1",
            params={"name": name, "row": row},
        ).fetchall()
    return str(found[0][0]) if found else None


@st.cache_data(max_entries=PICTURES_KEPT, show_spinner=False)
def quarantine_of(folder: str, version: int, at: datetime) -> pl.DataFrame:
    """As `quarantine`, kept by version and time."""
    with read.Snapshot(Book(Path(folder)).published) as snapshot:
        return quarantine_at(snapshot.con, decoded(folder).read(snapshot.con), at)


def line_history(picture: Picture, at: datetime) -> pl.DataFrame:
    """The lines of every site as they were estimated at an earlier moment."""
    rows = decoded(picture.folder).rows
    received = sum(int((table["received_at"] <= at).sum()) for table in rows.tables.values())
    return lines_then(picture.folder, at, received, len(rows.settings))


@st.cache_resource(max_entries=HISTORIES_KEPT, show_spinner=False)
def lines_then(folder: str, at: datetime, received: int, settings: int) -> pl.DataFrame:
    """Kept by the number of rows received by then: what comes later never changes it, what came before does."""
    return Answers(read.known_at(decoded(folder).rows, at)).answer("lines")


# A full collection after every run was the largest cost with many readers; what is loaded by now never goes away.
gc.freeze()
