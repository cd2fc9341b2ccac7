"""READ FIRST. Taking in, estimating, publishing: one call per step, in the order in which a row goes through them.

sources → contracts → normalise → store → estimates → outputs → dashboard
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from hashlib import sha256
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, cast

import polars as pl
from pandera.errors import SchemaError

from pipeline.contracts.estimates import AWAITED, ESTIMATES, FIRST, WITHOUT_LINES
from pipeline.contracts.events import SiteLoads
from pipeline.contracts.known import Known
from pipeline.errors import BookEmpty, SourceError
from pipeline.normalise import county_words
from pipeline.normalise.entries import entry_frame, plain_entry
from pipeline.normalise.shape import Piece
from pipeline.sources.bounded import SideThread, read_bounded
from pipeline.sources.folder import Incoming, gather
from pipeline.sources.profile import Profile
from pipeline.sources.reading import read_table
from pipeline.store import entered, mend, publish, read
from pipeline.store.book import Book, Writing, open_book
from pipeline.store.intake import Receipt, Taken, refused_entry, take_kind
from pipeline.store.log import Log
from pipeline.store.people import People

if TYPE_CHECKING:
    from pipeline.estimates import LinesThen  # loading what the estimates stand on takes seconds: see `estimate_all`

IN_ORDER = (FIRST, *(what for what in ESTIMATES if what != FIRST))
ORIGINAL_IN_WORK = "incoming.part"  # one writer, so one name is enough; a killed writer's is written over
LOADS = "loads"  # published beside the estimates for the next writer, see `Writer.recall`
RECALLED = timedelta(hours=1)  # lines that are older are not stood on by a writer that is begun anew: our choice
DAY_IS_OVER = timedelta(hours=36)  # after the newest receipt the present no longer matters: our choice


def take(
    paths: Sequence[Path],
    folder: Path,
    now: datetime,
    profiles: Sequence[Profile] = (),
    received: datetime | None = None,
) -> list[Receipt]:
    """Takes files into a book and publishes its log: what `wardbook take` does.

    Parameters
    ----------
    paths : files and day's folders
    folder : the book; made if it is not there
    now : the clock [UTC]
    profiles : how a county's own exports are written
    received : a time of receipt that overrides everything

    Returns
    -------
    a receipt per file

    Raises
    ------
    BookBusy : if another process is writing the book.
    """
    files = gather(paths, now, received, profiles)
    book = open_book(folder, create=True)
    with Writer(book, now) as writer:
        receipts = writer.take(files, now)
        writer.publish(None, now)
    return receipts


@dataclass(frozen=True)
class Estimated:
    """The estimates at one time, what could not be estimated and why, and the lines that they stand on.

    `since` is the time of all that is neither tickets nor lines, where it is earlier than that of the tickets.
    """

    at: datetime | None = None
    frames: dict[str, pl.DataFrame] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    lines: "LinesThen | None" = None
    since: datetime | None = None

    @property
    def is_awaited(self) -> bool:
        """Whether the lines, and what stands on them, are still to come for the first time."""
        return AWAITED in self.failed.values()

    @property
    def times(self) -> publish.Times:
        """The times of the tickets, of the lines that all stand on, and of the rest; each the first, or earlier."""
        return publish.Times(self.at, self.lines.at if self.lines else self.at, self.since or self.at)


class Writer:
    """The one process that writes a book, while the context lasts."""

    def __init__(self, book: Book, now: datetime) -> None:
        self.book = book
        self._opened_at = now
        self._writing = Writing(book)
        self._rows = read.Rows()
        self.shown = Estimated()

    def __enter__(self) -> "Writer":
        self._writing.__enter__()
        try:
            publish.clear_temporaries(self.book)
            self.log = Log(self.book.log)
            self.people = People(self.book)
            self._secret = bytes.fromhex(self.book.secret.read_text())
            self.note_settings(self._opened_at)
        except BaseException:
            self._writing.__exit__(None, None, None)
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self.log.close()
        self._writing.__exit__(None, None, None)

    def rows(self) -> read.Rows:
        """Every row of the log, decoded; only what is new since the last call is read."""
        self._rows = read.read_rows(self.log.con, self._rows)
        return self._rows

    def note_settings(self, now: datetime) -> None:
        """Logs the settings and the county's own words when they have changed, so that any past moment is replayed."""
        text = text_in(self.book.settings)
        read.read_settings(text, str(self.book.settings))
        logged = read.settings_logged(self.log.con)
        if not logged or logged[-1][1] != text:
            self.note("settings", text, now)
        text = text_in(self.book.vocabulary)
        county_words.table(text, str(self.book.vocabulary))
        logged = read.vocabularies_logged(self.log.con)
        if text != (logged[-1][1] if logged else ""):
            self.note("vocabulary", text, now)

    def note(self, what: str, text: str, now: datetime) -> None:
        """Logs a text of the book that counts from now on."""
        self.log.append(entry_frame([plain_entry(what, what, what, now, text=text)]), now)

    def take(self, files: Iterable[Incoming], now: datetime) -> list[Receipt]:
        """Takes files, kind by kind; a file that cannot be read costs nobody else anything."""
        receipts = []
        for kind, batch in groupby(files, key=lambda f: f.kind):
            readable, refused = self.read(list(batch), now)
            receipts += refused
            if kind is None or not readable:
                continue
            receipts += take_kind(self.log, self.people, self._secret, kind, readable, self.zone(), now)
            if kind == "county":
                self.retake_unplaced(now)
            if kind == "entries":
                receipts += self.apply_mends(now)
            if kind in ("county", "entries"):
                receipts += self.apply_entered(now)
        return receipts

    def read(self, batch: list[Incoming], now: datetime) -> tuple[list[Taken], list[Receipt]]:
        """The originals kept, the tables read, and the receipts of files refused whole."""
        readable, refused = [], []
        for file in batch:
            sha, reason = "", file.refused
            try:
                if reason is None:
                    sha, data = self.keep(file)
                    raw = read_table(data, file.name, file.form, file.profile)
                    readable.append(Taken(file.name, sha, Piece(raw, file.received_at, file.profile)))
            except (SourceError, OSError) as error:
                reason = str(error)
            if reason is not None:
                refused.append(refusal(file, reason))
                entry = refused_entry(file.name, file.kind, sha, file.received_at, reason, now)
                self.log.append(entry_frame([entry]), now)
        return readable, refused

    def keep(self, file: Incoming) -> tuple[str, bytes]:
        """Keeps a file byte for byte under its SHA-256: that, and the bytes to read, overlong lines cut."""
        part = self.book.originals / ORIGINAL_IN_WORK
        try:
            with part.open("wb") as copy, SideThread() as hashing, SideThread() as copying:
                digest = sha256()

                def also(piece: bytes) -> None:
                    hashing.do(digest.update, piece)
                    copying.do(copy.write, piece)

                data = read_bounded(file.path, file.name, file.form, also)
            kept = self.book.originals / digest.hexdigest()
            if not kept.exists():
                part.replace(kept)
        finally:
            part.unlink(missing_ok=True)
        return digest.hexdigest(), data

    def zone(self) -> str | None:
        """The county's zone, None while unknown."""
        return read.zone_of(self.log.con)

    def retake_unplaced(self, now: datetime) -> None:
        """Reads files again whose local times waited for the county's zone."""
        zone = self.zone()
        for file, received_at in read.unplaced(self.log.con) if zone else ():
            taken = Taken(file.name, file.sha, Piece(file.read(self.book.originals), received_at, file.profile))
            take_kind(self.log, self.people, self._secret, file.kind, [taken], zone, now)

    def apply_mends(self, now: datetime) -> list[Receipt]:
        """Takes rows out of quarantine as entries of action `mend` correct them."""
        receipts = []
        for target, values, received_at in mend.unapplied(self.log.con):
            taken = mend.mended(self.log.con, self.book.originals, target, values, received_at)
            receipts += take_kind(self.log, self.people, self._secret, target.kind, [taken], self.zone(), now)
        return receipts

    def apply_entered(self, now: datetime) -> list[Receipt]:
        """Takes the rows that people entered by hand as rows of their feeds, once the county's zone is known."""
        receipts: list[Receipt] = []
        for (kind, sha, _), found in entered.unapplied(self.log.con).items() if self.zone() else ():
            taken = entered.rows_entered(self.log.con, self.book.originals, kind, sha, found)
            receipts += take_kind(self.log, self.people, self._secret, kind, [taken], self.zone(), now)
        return receipts

    def present(self, now: datetime) -> datetime | None:
        """The time to estimate for: the clock, or the newest receipt once the day is over; None in an empty book."""
        newest = read.newest_receipt(self.log.con)
        if newest is None:
            return None
        return newest if now - newest > DAY_IS_OVER else now

    def known(self, at: datetime | None) -> Known | None:
        """What is known at a time; None where the county is not known by then."""
        try:
            return None if at is None else read.known_at(self.rows(), at)
        except BookEmpty:
            return None

    def publish(self, at: datetime | None, now: datetime) -> dict[str, pl.DataFrame]:
        """Publishes the log, with the estimates for `at` where a time is given and the county is known."""
        known = self.known(at)
        estimated = Estimated() if known is None else estimate_what_can(known)
        self.show(estimated, now)
        return estimated.frames

    def show(self, estimated: Estimated, now: datetime) -> None:
        """Publishes the log with these estimates."""
        self.shown = estimated
        self.publish_log(now)

    def publish_log(self, now: datetime) -> None:
        """Publishes the log with the estimates made last: for receipts of files that told nothing new."""
        made = self.shown
        frames = made.frames | ({LOADS: made.lines.loads} if made.lines else {})
        publish.publish(self.book, self.log, frames, made.failed, made.times, now)

    def recall(self, now: datetime) -> None:
        """Takes up what was published last, so that a writer begun anew need not replay the day before it publishes.

        Nothing, where the lines are too old to stand on, or were made otherwise than this version makes them.
        """
        if not self.book.published.exists():
            return
        with read.Snapshot(self.book.published) as snapshot:
            meta = snapshot.meta()
            found = {what: snapshot.estimate(what) for what in (*ESTIMATES, LOADS)}
        frames = {what: frame for what, frame in found.items() if frame is not None}
        then = self.known(meta["lines_at"])
        if then is None or now - then.at > RECALLED or len(frames) < len(found):
            return
        from pipeline.estimates import LinesThen  # see estimate_all

        try:
            loads = SiteLoads.validate(frames.pop(LOADS))
            checked = {what: cast(pl.DataFrame, model.validate(frames[what])) for what, model in ESTIMATES.items()}
        except SchemaError:
            return
        lines = LinesThen(
            then.at,
            checked["lines"],
            checked["outlook"],
            loads,
            then.county,
            then.settings,
            cast(pl.DataFrame, then.sites),
        )
        self.shown = Estimated(meta["at"], checked, {}, lines, meta["rest_at"])

    def substance(self) -> int:
        """The number of entries that estimates stand on: all but the receipts of files."""
        return read.substance(self.log.con)


def text_in(path: Path) -> str:
    """A file's text, empty where there is none."""
    return path.read_text("utf-8") if path.exists() else ""


def refusal(file: Incoming, reason: str) -> Receipt:
    """The receipt of a file that was refused whole."""
    reasons = [{"row": None, "column": None, "value": None, "reason": reason}]
    return Receipt(file.name, file.kind, refused=reason, reasons=reasons)


class Making:
    """The estimates of one time, made one after another; a fault in one costs none of the others.

    Parameters
    ----------
    lines : lines of an earlier time to stand on; without them the day is replayed up to T
    whats : which estimates, in which order
    """

    def __init__(self, known: Known, lines: "LinesThen | None" = None, whats: Collection[str] = IN_ORDER) -> None:
        from pipeline.estimates import Answers  # see estimate_all

        self.known, self.lines = known, lines
        self._answers = Answers(known)
        if lines is not None:
            self._answers.stand_on(lines)
        self._left = list(whats)
        self._found: dict[str, pl.DataFrame] = {}
        self._failed: dict[str, str] = {}

    def is_done(self) -> bool:
        """Whether none is left to make."""
        return not self._left

    def step(self) -> None:
        """Makes the next one."""
        what = self._left.pop(0)
        try:
            self._found[what] = self._answers.answer(what)
        except Exception as error:  # anything at all: the board shows it, and `wardbook estimate` gives the traceback
            self._failed[what] = f"{type(error).__name__}: {error}".splitlines()[0]

    def made(self) -> Estimated:
        """Those that have been made so far."""
        lines = self.lines
        if lines is None and {"lines", "outlook"} <= set(self._found):
            lines = self._answers.lines_then()
        in_order = {what: self._found[what] for what in ESTIMATES if what in self._found}
        return Estimated(self.known.at, in_order, dict(self._failed), lines)


def estimate_what_can(known: Known, lines: "LinesThen | None" = None) -> Estimated:
    """Every estimate that can be made.

    Parameters
    ----------
    lines : as of `Making`
    """
    making = Making(known, lines)
    while not making.is_done():
        making.step()
    return making.made()


def estimate_in_turn(known: Known) -> Iterator[Estimated]:
    """First what needs no lines, all else being awaited; then everything. Each is made once."""
    others = tuple(what for what in IN_ORDER if what not in WITHOUT_LINES)
    making = Making(known, whats=(*WITHOUT_LINES, *others))
    for _ in WITHOUT_LINES:
        making.step()
    made = making.made()
    yield replace(made, failed=dict.fromkeys(others, AWAITED) | made.failed)
    for _ in others:
        making.step()
    yield making.made()


def awaited(known: Known, early: Estimated | None = None) -> Estimated:
    """What has come, every estimate being awaited but those that have been made early, for a time of their own."""
    if early is None:
        return Estimated(known.at, failed=dict.fromkeys(ESTIMATES, AWAITED))
    return replace(early, at=known.at, since=early.at)


def estimate_all(known: Known, whats: Iterable[str] = tuple(ESTIMATES)) -> dict[str, pl.DataFrame]:
    """WHAT → its frame, each step computed once."""
    # Loading what the estimates stand on takes seconds; taking files must not wait for it.
    from pipeline.estimates import Answers

    answers = Answers(known)
    return {what: answers.answer(what) for what in whats}
