"""The demo: an invented day replayed into a book of its own, as fast as asked, from any time of that day."""

import threading
import time
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pipeline
from pipeline.beside import Beside
from pipeline.contracts.moments import local_time, parse_time
from pipeline.errors import MissingFile, UsageError
from pipeline.run import Writer
from pipeline.sources.folder import Incoming, gather
from pipeline.store import inbox
from pipeline.watch import Say, Watcher

HERE = Path(pipeline.__file__).parent
DAYS = (HERE.parent / "demo_data" / "day", HERE / "demo_day")  # in a clone, in an installed wheel
NIGHT_UNTIL = "04:00"  # local times before this are of the night after the election day
START = "10:30"  # local: a storm begins, lines are long
SPEED = 60.0  # minutes of the day in one minute
PACE_SECONDS = 1.0  # between looks at what is due
ENTRY_SECONDS = 0.1  # between looks for entries made on the board


def day_folder() -> Path:
    """Where the demo day is.

    Raises
    ------
    MissingFile : in an installation without it.
    """
    for folder in DAYS:
        if (folder / "county.toml").exists():
            return folder
    raise MissingFile(f"{DAYS[0]}: the demo day is not there. Run the demo from a clone of the repository.")


class Replay:
    """A day's folder whose files come when they were received, by a clock that runs `speed` times as fast."""

    def __init__(self, folder: Path, start: str, speed: float) -> None:
        if not 0 <= speed <= 100_000:
            raise UsageError(f"--speed {speed:g}: not from 0 (stand still) to 100000. Choose another.")
        self.files = gather([folder], datetime.max.replace(tzinfo=UTC))
        self.start = self.moment(folder, start)
        self.speed = speed
        self._since = time.monotonic()

    def moment(self, folder: Path, text: str) -> datetime:
        """A local HH:MM of the election day (before 04:00: the night after it), or a whole time."""
        facts = tomllib.loads((folder / "county.toml").read_text("utf-8"))
        try:
            if len(text) > len("HH:MM"):
                return parse_time(text, facts["zone"])
            text = text.zfill(len("HH:MM"))
            return local_time(facts["election_day"] + timedelta(days=text < NIGHT_UNTIL), text, facts["zone"])
        except ValueError as error:
            raise UsageError(f"--at {text}: not a time of day. Write it like 10:30.") from error

    def now(self) -> datetime:
        """The time of the day that is being played."""
        return self.start + timedelta(seconds=(time.monotonic() - self._since) * self.speed)

    def begin(self) -> None:
        """Starts the clock at the starting time."""
        self._since = time.monotonic()

    def due(self, now: datetime) -> list[Incoming]:
        """Files received by now that have not been handed out yet."""
        ready = [f for f in self.files if f.received_at <= now]
        self.files = [f for f in self.files if f.received_at > now]
        return ready


def play(
    writer: Writer, replay: Replay, stop: threading.Event, say: Say, is_shown: Callable[[], bool], beside: Beside
) -> None:
    """Takes what is due and publishes, until stopped; entries made on the board are taken too."""
    watcher = Watcher(writer, [], [], lambda _line: None, beside=beside)

    def has_arrived() -> bool:
        return bool(inbox.waiting(writer.book))

    while not pause(stop, has_arrived) and is_shown():
        now = replay.now()
        receipts = watcher.round(now, replay.due(now), has_arrived)
        if receipts:
            say(f"{now:%H:%M} UTC: {len(receipts)} files taken")


def pause(stop: threading.Event, has_arrived: Callable[[], bool]) -> bool:
    """Waits until the next look, which an entry made on the board brings forward; whether to stop."""
    until = time.monotonic() + PACE_SECONDS
    while time.monotonic() < until and not has_arrived():
        if stop.wait(ENTRY_SECONDS):
            return True
    return stop.is_set()
