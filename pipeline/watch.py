"""Watching: what arrives is taken, what it changes is estimated and published; the only writer while it runs."""

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import polars as pl
from watchfiles import watch as changes_in

from pipeline.beside import Beside, Fresh
from pipeline.errors import SettingsError, WardbookError
from pipeline.outputs.alarms import Told, alarms, sounding
from pipeline.outputs.fallback import pages, write_pack
from pipeline.outputs.pages import names
from pipeline.run import Estimated, Writer
from pipeline.sources.folder import RECEIVED, Incoming, gather
from pipeline.sources.profile import Profile
from pipeline.store import handover, read
from pipeline.store.intake import Receipt
from pipeline.store.people import names_behind

SETTLE_MS = 400  # files that still grow are left until they have been quiet this long
LOOK_SECONDS = 1.0  # between rounds while nothing is known to have arrived
Say = Callable[[str], None]


class Hourly:
    """The fallback pack, written once an hour into the book's folder `fallback`."""

    def __init__(self, with_phones: bool = False) -> None:
        self._with_phones = with_phones
        self._written: datetime | None = None

    def is_due(self, now: datetime) -> bool:
        """Whether a pack has not been written in this hour of the clock."""
        return self._written is None or hour(now) != hour(self._written)

    def write(self, writer: Writer, estimates: Mapping[str, pl.DataFrame], at: datetime, now: datetime) -> Path:
        """Writes the pack of what is known at `at`."""
        known = read.known_at(writer.rows(), at)
        phones = names_behind(writer.book.people) if self._with_phones else None
        found = pages(known, SimpleNamespace(**estimates), phones)
        self._written = now
        return write_pack(writer.book.fallback, found, at, known.county.zone)


def hour(moment: datetime) -> datetime:
    """The hour that a moment lies in."""
    return moment.replace(minute=0, second=0, microsecond=0)


class Watcher:
    """Takes what arrives in folders and in the book's inbox, and keeps the published estimates fresh."""

    def __init__(
        self,
        writer: Writer,
        folders: Sequence[Path],
        profiles: Sequence[Profile],
        say: Say,
        hourly: Hourly | None = None,
        tell: Say | None = None,
        beside: Beside | None = None,
    ) -> None:
        self._writer = writer
        self._fresh = Fresh(writer, beside)
        self._folders = [f.resolve() for f in folders]
        self._profiles = profiles
        self._say = say
        self._seen: dict[Path, tuple[int, int]] = {}
        self._slip: str | None = None
        self._hourly = hourly
        self._tell = tell
        self._told = Told()

    def run(
        self, stop: threading.Event, clock: Callable[[], datetime], is_wanted: Callable[[], bool] = lambda: True
    ) -> None:
        """Until `stop` is set, or nobody wants it any more."""
        arrived = threading.Event()
        threading.Thread(target=self.notice, args=(arrived, stop), daemon=True).start()
        while is_wanted():
            arrived.clear()
            self.round(clock(), has_arrived=arrived.is_set)
            if stop.is_set():
                return
            arrived.wait(LOOK_SECONDS)

    def notice(self, arrived: threading.Event, stop: threading.Event) -> None:
        """Says when something has arrived; should it fail, a round is made every so often all the same."""
        watched = {*self._folders, self._writer.book.inbox.resolve()}
        for _ in changes_in(
            *watched, stop_event=stop, debounce=SETTLE_MS, rust_timeout=int(1000 * LOOK_SECONDS), raise_interrupt=False
        ):
            arrived.set()

    def round(
        self, now: datetime, due: Sequence[Incoming] = (), has_arrived: Callable[[], bool] = lambda: False
    ) -> list[Receipt]:
        """One look at what has arrived. New rows, or age, make the estimates anew; a file of known rows does not.

        Parameters
        ----------
        due : files that come by another way than a folder, as those of a day that is played
        has_arrived : whether there is more to take: what follows the tickets then waits until the next round
        """
        before = self._writer.substance()
        self.note_settings(now)
        receipts = [
            *(self._writer.take(due, now) if due else ()),
            *self.take_handed(now),
            *self.take_dropped(now),
            *self.take_arrived(now),
        ]
        for receipt in receipts:
            self._say(told(receipt))
        estimated = self._fresh.look(self._writer.substance() != before, now)
        if estimated:
            self.show(estimated, now)
        elif receipts:
            self._writer.publish_log(now)
        following = self._fresh.go_on(has_arrived)
        if following:
            self.show(following, now)
        return receipts

    def show(self, estimated: Estimated, now: datetime) -> None:
        """Publishes estimates, and does what follows from them."""
        self._writer.show(estimated, now)
        if estimated.frames and estimated.at and not estimated.is_awaited:
            self.after_publishing(estimated.frames, estimated.at, now)

    def after_publishing(self, estimates: Mapping[str, pl.DataFrame], at: datetime, now: datetime) -> None:
        """The hourly pack, and alarms told to others; a slip in either costs the night nothing else."""
        try:
            if self._hourly and self._hourly.is_due(now):
                self._say(f"Fallback pack written to {self._hourly.write(self._writer, estimates, at, now)}")
            if self._tell:
                known = read.known_at(self._writer.rows(), at)
                found = sounding(alarms(known), estimates.__getitem__, names(known))
                for news in self._told.news(found, at):
                    self._tell(news)
        except Exception as error:  # the printer's paper must not stop the intake
            self._say(f"Not written or not told: {type(error).__name__}: {error}".splitlines()[0])

    def note_settings(self, now: datetime) -> None:
        """Changed settings count from now; a slip in them is said once, and the last good ones stay in force."""
        try:
            self._writer.note_settings(now)
            self._slip = None
        except SettingsError as error:
            if str(error) != self._slip:
                self._say(f"{error} Until then the settings before stay in force.")
            self._slip = str(error)

    def take_handed(self, now: datetime) -> list[Receipt]:
        """What `wardbook take` has handed over; it waits for the answer."""
        receipts = []
        for folder in handover.handed(self._writer.book):
            mine = self._writer.take(handover.read_handed(folder), now)
            handover.answer(folder, mine)
            receipts += mine
        return receipts

    def take_dropped(self, now: datetime) -> list[Receipt]:
        """Files dropped into the inbox: taken, kept in originals, and cleared away."""
        inbox = self._writer.book.inbox
        dropped = [
            p for p in sorted(inbox.iterdir()) if p.is_file() and not p.name.startswith(".") and p.name != RECEIVED
        ]
        dropped = [p for p in dropped if p.suffix != ".part"]
        receipts = self._writer.take(gather(dropped, now, None, self._profiles), now) if dropped else []
        refused = {r.file for r in receipts if r.refused}
        for path in dropped:
            if path.name in refused:
                self.set_aside(path)
            else:
                path.unlink(missing_ok=True)
        return receipts

    def set_aside(self, path: Path) -> None:
        """A file that could not be read goes to `inbox/refused`: nothing is lost, and nothing is retried for ever."""
        aside = self._writer.book.inbox / "refused"
        aside.mkdir(exist_ok=True)
        path.replace(aside / path.name)

    def take_arrived(self, now: datetime) -> list[Receipt]:
        """Files in the watched folders that are new or have changed; they are left where they are."""
        files: list[Incoming] = []
        for folder in self._folders:
            try:
                files += [f for f in gather([folder], now, None, self._profiles) if self.is_new(f.path)]
            except WardbookError as error:
                self._say(str(error))
        return self._writer.take(files, now) if files else []

    def is_new(self, path: Path) -> bool:
        """Whether a file has not been seen in its present state."""
        try:
            state = (path.stat().st_size, path.stat().st_mtime_ns)
        except OSError:
            return False
        if self._seen.get(path) == state:
            return False
        self._seen[path] = state
        return True


def told(receipt: Receipt) -> str:
    """A receipt in one line."""
    if receipt.refused:
        return f"{receipt.file}: refused. {receipt.refused}"
    return (
        f"{receipt.file}: {receipt.read} rows read, {receipt.accepted} accepted, "
        f"{receipt.already_known} already known, {receipt.superseded} superseded, {receipt.quarantined} in quarantine"
    )


def summary(receipts: Iterable[Receipt]) -> str:
    """All receipts in one line."""
    found = list(receipts)
    total = Receipt("in all", None)
    for name in ("read", "accepted", "already_known", "superseded", "quarantined"):
        setattr(total, name, sum(getattr(r, name) for r in found))
    refused = sum(r.refused is not None for r in found)
    return f"{len(found)} files, {refused} refused whole; {told(total).removeprefix('in all: ')}"
