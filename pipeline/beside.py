"""Estimates beside the intake: what has come is shown at once on the lines made last, and the day is replayed in a
process of its own, so that no ticket waits for it.
"""

import os
import signal
import time
from datetime import datetime, timedelta
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from types import TracebackType

from pipeline import run
from pipeline.contracts.known import Known

REFRESH = timedelta(seconds=60)  # without news the estimates are made anew this often: our choice
LOWER = 5  # by how much the replay gives way to the intake and the board (steps of `nice`): our choice
SHARE = 0.5  # of the time that the replay may run, so that a board of many screens keeps a processor: our choice
STOP_SECONDS = 5.0


def work(line: Connection) -> None:
    """The process: what is known comes in, the estimates go out, until nobody asks any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the writer, which then closes the line
    os.nice(LOWER)
    while True:
        try:
            line.send(run.estimate_what_can(line.recv()))
        except (EOFError, OSError):
            return


class Beside:
    """A process in which the estimates of one time are worked out while the intake goes on."""

    def __init__(self) -> None:
        self._process: BaseProcess | None = None
        self._line: Connection | None = None
        self._begun = self._rest_until = 0.0
        self._is_at_work = False

    def __enter__(self) -> "Beside":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def is_free(self) -> bool:
        """Whether it may be asked: not at work, and rested."""
        return not self._is_at_work and time.monotonic() >= self._rest_until

    def begin(self, known: Known) -> bool:
        """Has the estimates worked out; False where the process cannot be had."""
        try:
            if self._process is None or not self._process.is_alive():
                self.start()
            assert self._line is not None
            self._line.send(known)
        except OSError:
            self.close()
            return False
        self._begun, self._is_at_work = time.monotonic(), True
        return True

    def start(self) -> None:
        """Starts the process. A fresh one: a copy of the writer would hold its files open."""
        self.close()
        context = get_context("spawn")
        self._line, theirs = context.Pipe()
        self._process = context.Process(target=work, args=(theirs,), daemon=True, name="wardbook-estimates")
        self._process.start()
        theirs.close()  # so that either end notices when the other is gone

    def done(self) -> run.Estimated | None:
        """What has been worked out, once; None while it is at work, or where the process has died."""
        if not self._is_at_work or self._line is None:
            return None
        try:
            if not self._line.poll():
                return None
            found: run.Estimated = self._line.recv()
        except (EOFError, OSError):
            self.close()
            return None
        self._is_at_work = False
        took = time.monotonic() - self._begun
        self._rest_until = time.monotonic() + took * (1 - SHARE) / SHARE
        return found

    def close(self) -> None:
        """Ends the process."""
        self._is_at_work = False
        if self._line is not None:
            self._line.close()
        if self._process is not None:
            self._process.terminate()
            self._process.join(STOP_SECONDS)
        self._line = self._process = None


class Fresh:
    """Which estimates to publish next: complete ones, or at once those of now on the lines made last.

    Without a process beside it every estimate is worked out here, and the intake waits for it.
    """

    def __init__(self, writer: run.Writer, beside: Beside | None = None) -> None:
        self._writer, self._beside = writer, beside
        self._lines: run.Estimated | None = None
        self._begun_at: datetime | None = None
        self._is_behind = False  # rows have come since the newest replay began

    def look(self, has_news: bool, now: datetime) -> run.Estimated | None:
        """What to publish, None where nothing is new."""
        done = self._beside.done() if self._beside else None
        if done is not None and done.lines is not None:
            self._lines = done
        self._is_behind |= has_news
        is_due = self._begun_at is None or now - self._begun_at >= REFRESH
        is_wanted = (is_due or self._is_behind) and (self._beside is None or self._beside.is_free())
        if not (has_news or done or is_wanted):
            return None
        known = self._writer.known(self._writer.present(now))
        if known is None:
            self._begun_at = now
            return run.Estimated()
        lines = self._lines.lines if self._lines else None
        if self._beside is None or lines is None or not lines.fit(known):
            return self.complete(known, now)
        is_complete = done is not None and not self._is_behind
        if is_wanted and self._beside.begin(known):
            self._begun_at, self._is_behind = now, False
        if is_complete:
            return done
        return run.estimate_what_can(known, lines) if has_news or done else None

    def complete(self, known: Known, now: datetime) -> run.Estimated:
        """Everything worked out here and now: at the start, and after a change of the roster or the assumptions."""
        made = run.estimate_what_can(known)
        self._lines, self._begun_at, self._is_behind = made, now, False
        return made
