"""What the board shows: the published snapshot, or what was known at an earlier time; read, never written.

The book's folder comes in the environment (`WARDBOOK_BOOK`). A published snapshot is read once for all sessions, on a
board by a thread of its own before anybody asks (`ahead.py`); a past moment is kept as long as no row comes that had
been received by then; what pages work out from a picture is kept with it (`once`): many readers of the same moment cost
one computation.
"""

import gc
import os
import threading
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import polars as pl
import streamlit as st

from dashboard.picture import Asked as Asked
from dashboard.picture import Key as Key
from dashboard.picture import Picture as Picture
from dashboard.picture import once as once
from dashboard.sharing import Shared
from pipeline.contracts.estimates import ESTIMATES
from pipeline.contracts.known import Known
from pipeline.errors import BookEmpty
from pipeline.store import read
from pipeline.store.book import Book

if TYPE_CHECKING:
    from pipeline.estimates import Answers

ENVIRONMENT = "WARDBOOK_BOOK"
PICTURES_KEPT = 6  # moments of a county kept in memory [count]; each holds its frames
HISTORIES_KEPT = 64  # earlier moments of the lines kept [count]; small frames
STEP = timedelta(minutes=5)  # grid of the past [min]
EVER_AFTER = datetime.max.replace(tzinfo=UTC)
SHARED = Shared()  # between one snapshot and the next
Received = tuple[int, int, int, int]  # see `received_by`
Seen = tuple[int, int]  # which snapshot is published: inode and time of change of its file


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


@lru_cache(maxsize=2)
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


def own_words() -> str:
    """The county's own words for reading tickets, as the book has them now."""
    file = Book(folder()).vocabulary
    return file.read_text("utf-8") if file.exists() else ""


def on_disk() -> Seen | None:
    """Which snapshot is published; costs one look at the file's entry."""
    try:
        found = Book(folder()).published.stat()
    except (OSError, BookEmpty):
        return None
    return found.st_ino, found.st_mtime_ns


@dataclass(frozen=True)
class Published:
    """A snapshot as it was read: its rows, its receipts, and the estimates that came with it."""

    folder: str
    seen: Seen | None
    meta: dict[str, Any]
    rows: read.Rows
    newest_at: datetime | None
    receipts: pl.DataFrame
    frames: dict[str, pl.DataFrame]
    failed: dict[str, str]

    @cached_property
    def present(self) -> Picture | None:
        """The present, as it was published; None where nothing has been taken in.

        Raises
        ------
        BookEmpty : if the county is not known.
        """
        if self.newest_at is None:
            return None
        return picture(self.folder, self, self.meta["at"] or self.newest_at, True)


def read_published(folder: str, seen: Seen | None) -> Published:
    """Reads the snapshot of a book.

    Raises
    ------
    BookEmpty : if nothing has been published.
    """
    with read.Snapshot(Book(Path(folder)).published) as snapshot:
        meta, newest = snapshot.meta(), read.newest_receipt(snapshot.con)
        made = {what: snapshot.estimate(what) for what in ESTIMATES} if meta["at"] else {}
        frames = SHARED.frames({what: frame for what, frame in made.items() if frame is not None})
        rows, receipts = decoded(folder).read(snapshot.con), read.receipts_at(snapshot.con, EVER_AFTER)
        return Published(folder, seen, meta, rows, newest, receipts, frames, snapshot.failed())


class Newest:
    """The snapshot that all sessions are shown: the newest one, or the newest that a reader has made ready."""

    def __init__(self) -> None:
        self._shown: Published | None = None
        self._lock = threading.Lock()
        self.is_read_ahead = False

    def ready(self) -> Published | None:
        """The snapshot that a reader has made ready; None where none is at work, or it has none yet."""
        found = self._shown
        return found if self.is_read_ahead and found is not None and found.folder == str(folder()) else None

    def is_awaited(self) -> bool:
        """Whether the snapshot that is shown has no lines yet."""
        found = self.ready()
        return found is not None and found.present is not None and found.present.is_awaited

    def show(self, made: Published) -> None:
        """Shows a snapshot from now on."""
        self._shown = made

    def get(self) -> Published:
        """The snapshot to show; read here, by whoever comes first, where no reader has done so.

        Raises
        ------
        BookEmpty : if nothing has been published.
        """
        found = self.ready()
        if found is not None:
            return found
        with self._lock:
            place, seen = str(folder()), on_disk()
            shown = self._shown
            if shown is None or (shown.folder, shown.seen) != (place, seen):
                shown = self._shown = read_published(place, seen)
            return shown


NEWEST = Newest()


def signature() -> Seen | None:
    """Changes whenever there is a newer snapshot to show."""
    found = NEWEST.ready()
    return on_disk() if found is None else found.seen


def tickets_known() -> int:
    """How many tickets the newest snapshot knows of [count]; 0 where no reader has one ready."""
    found = NEWEST.ready()
    return 0 if found is None or found.present is None else found.present.known.tickets.height


def published_at() -> datetime | None:
    """When the snapshot was published, by its writer's clock."""
    try:
        found = NEWEST.get().meta["published_at"]
    except BookEmpty:
        return None
    return found if isinstance(found, datetime) else None


def current(as_of: datetime | None) -> Picture:
    """The picture of the present (None) or of a past moment.

    Raises
    ------
    BookEmpty : if nothing has been published, or the county was not known by then.
    """
    found = NEWEST.get()
    place, present = found.folder, found.present
    if present is None:
        raise BookEmpty(f"{place}: nothing has been taken in yet. `wardbook take FILES --book {place}` does.")
    if as_of is None:
        return present
    kept = past(place, as_of, received_by(found.rows, as_of), found)
    # What was known then stays; how far the choice of times goes, and what stands in quarantine, does not.
    return replace(kept, version=found.meta["version"], newest_at=present.newest_at)


@st.cache_resource(max_entries=PICTURES_KEPT, show_spinner="Working out what was known then …")
def past(folder: str, at: datetime, received: Received, _found: Published) -> Picture:
    """A past moment; kept by what had been received by then, as what comes later never changes it."""
    return picture(folder, _found, at, False)


def picture(folder: str, found: Published, at: datetime, is_live: bool) -> Picture:
    """One moment of a snapshot."""
    known, newest = read.known_at(found.rows, at), found.newest_at or at
    known = SHARED.known(known) if is_live else known
    return Picture(
        folder,
        found.meta["version"],
        at,
        (found.meta["lines_at"] or at) if is_live else at,
        (found.meta["rest_at"] or at) if is_live else at,
        is_live,
        known,
        found.receipts.filter(pl.col("received_at") <= at),
        first_known(found.rows, newest),
        newest,
        dict(found.frames) if is_live else {},
        lru_cache(maxsize=1)(lambda: answers_of(known)),
        dict(found.failed) if is_live else {},
    )


def answers_of(known: Known) -> "Answers":
    """The estimates of what is known; loading them takes seconds, and the present comes with its own."""
    from pipeline.estimates import Answers

    return Answers(known)


def received_by(rows: read.Rows, at: datetime) -> Received:
    """How much had been received by a time: rows, receipts found to be earlier, settings, words of the county."""
    earlier = 0 if rows.earlier is None else rows.earlier.height
    counted = sum(int((table["received_at"] <= at).sum()) for table in rows.tables.values())
    return counted, earlier, len(rows.settings), len(rows.vocabularies)


def first_known(rows: read.Rows, newest: datetime) -> datetime:
    """The first time for which anything can be said: the county's facts have to be known."""
    first = read.received(rows, "county")["received_at"].min()
    return first if isinstance(first, datetime) else newest


def moments(picture: Picture) -> list[datetime]:
    """The past moments that can be chosen, every five minutes from the first receipt to the newest."""
    step = STEP.total_seconds()
    start = -(-picture.first_at.timestamp() // step) * step
    end = max(picture.newest_at.timestamp(), start)
    zone = picture.at.tzinfo
    found = [datetime.fromtimestamp(start + n * step, zone) for n in range(int((end - start) // step) + 1)]
    return found if found[-1].timestamp() == end else [*found, picture.newest_at]


def line_history(picture: Picture, at: datetime) -> pl.DataFrame:
    """The lines of every site as they were estimated at an earlier moment."""
    return lines_then(picture.folder, at, received_by(decoded(picture.folder).rows, at))


@st.cache_resource(max_entries=HISTORIES_KEPT, show_spinner=False)
def lines_then(folder: str, at: datetime, received: Received) -> pl.DataFrame:
    """Kept by what had been received by then."""
    return answers_of(read.known_at(decoded(folder).rows, at)).answer("lines")


# A full collection after every run was the largest cost with many readers; what is loaded by now never goes away.
gc.freeze()
