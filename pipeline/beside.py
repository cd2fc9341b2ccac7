"""Estimates beside the intake: a ticket is published at once on the lines made last, everything else follows while
nothing arrives, and the day is replayed in a process of its own, so that no ticket waits for either.
"""

import os
import signal
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from importlib import import_module
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from types import TracebackType

from pipeline import run
from pipeline.contracts.estimates import FIRST
from pipeline.contracts.known import Known

REFRESH = timedelta(seconds=60)  # without news the estimates are made anew this often: our choice
LOWER = 5  # by how much the replay gives way to the intake and the board (steps of `nice`): our choice
SHARE = 0.5  # of the time that what follows may run, so that a board of many screens keeps a processor: our choice
AT_LEAST_SECONDS = 0.5  # that is worked on what follows before more is taken, so that it comes to an end: our choice
STOP_SECONDS = 5.0


def work(line: Connection) -> None:
    """The process: what is known comes in, the estimates go out, until nobody asks any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the writer, which then closes the line
    import_module("pipeline.estimates.answers")  # takes seconds: before it is asked, not then
    is_first = True
    while True:
        try:
            known, is_in_turn = line.recv()
            for made in run.estimate_in_turn(known) if is_in_turn else [run.estimate_what_can(known)]:
                line.send(made)
        except (EOFError, OSError):
            return
        if is_first:  # which the board may be waiting for
            os.nice(LOWER)
        is_first = False


def load(own: str) -> None:
    """Loads what tickets are read by, with the county's own words: later somebody would wait for it."""
    import_module("pipeline.estimates.answers")
    import_module("pipeline.normalise.wording").vocabulary(own)


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

    def is_at_work(self) -> bool:
        """Whether it has been asked and has not answered; False too where it has died over it."""
        return self._is_at_work

    def is_free(self) -> bool:
        """Whether it may be asked: not at work, and rested."""
        return not self._is_at_work and time.monotonic() >= self._rest_until

    def warm_up(self) -> None:
        """Starts the process, so that it has loaded what it needs by the time that it is asked."""
        if self._process is None:
            self.start()

    def begin(self, known: Known, is_in_turn: bool = False) -> bool:
        """Has the estimates worked out; False where the process cannot be had. In turn: first those without lines."""
        try:
            if self._process is None or not self._process.is_alive():
                self.start()
            assert self._line is not None
            self._line.send((known, is_in_turn))
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
        """What has been worked out, once; None while there is nothing new, or where the process has died."""
        if not self._is_at_work or self._line is None:
            return None
        try:
            if not self._line.poll():
                return None
            found: run.Estimated = self._line.recv()
        except (EOFError, OSError):
            self.close()
            return None
        if found.is_awaited:  # the rest follows
            return found
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
    """What to publish next: tickets at once on the lines that are shown, then the rest, then all on newer lines.

    At the start, when there are no lines to stand on, what needs none is published and the rest awaited. Without a
    process beside it every estimate is worked out here, and the intake waits for it.
    """

    def __init__(self, writer: run.Writer, beside: Beside | None = None) -> None:
        self._writer, self._beside = writer, beside
        self._lines = writer.shown.lines  # the newest
        self._begun_at: datetime | None = None
        self._is_asked = False  # for the first lines
        self._early: run.Estimated | None = None  # what needs no lines, made before the first ones
        self._is_behind = False  # rows have come since the newest replay began
        self._news: Known | None = None  # what was known when tickets were made last
        self._next: run.Making | None = None  # what follows next, its tickets made already or not
        self._at_work: run.Making | None = None
        self._spent = self._rest_until = 0.0

    def look(self, has_news: bool, now: datetime) -> run.Estimated | None:
        """What to publish at once, None where nothing is."""
        if self._beside is not None and self._lines is None and self._begun_at is None:
            self._writer.recall(now)
            self._lines = self._writer.shown.lines
        done = self._beside.done() if self._beside else None
        self._is_behind |= has_news
        is_due = self._begun_at is None or now - self._begun_at >= REFRESH
        is_wanted = (is_due or self._is_behind) and (self._beside is None or self._beside.is_free())
        if not (has_news or done or is_wanted):
            return None
        known = self._writer.known(self._writer.present(now))
        if known is None:
            self._begun_at = now
            return run.Estimated()
        if done is not None and done.lines is not None and done.lines.fit(known):
            self._lines = done.lines
        if self._beside is None or (self._lines is not None and not self._lines.fit(known)):
            return self.complete(known, now)
        if self._lines is None:
            return self.at_start(known, self._beside, done, has_news, now)
        if done is not None and done.lines is self._lines and self._writer.shown.is_awaited:
            return self.tickets_of(known, done) if self._is_behind else done
        is_complete = done is not None and done.lines is self._lines and not self._is_behind
        if is_wanted and self._beside.begin(known):
            self._begun_at, self._is_behind = now, False
        if is_complete:
            self._at_work = self._next = None
            return done
        if has_news:
            return self.tickets_of(known)
        if done is not None:
            self._next = run.Making(known, self._lines)
        return None

    def at_start(
        self, known: Known, beside: Beside, done: run.Estimated | None, has_news: bool, now: datetime
    ) -> run.Estimated | None:
        """What has come, at once, while the first lines are worked out beside, and what needs none as soon as that is
        there; everything here, should they fail.
        """
        if not self._writer.shown.is_awaited:
            beside.warm_up()
            return run.awaited(known)
        if not beside.is_at_work():
            has_failed = self._is_asked if done is None else done.lines is None
            if has_failed or not beside.begin(known, is_in_turn=True):
                return self.complete(known, now)
            self._begun_at, self._is_behind, self._is_asked = now, False, True
        if done is not None:
            self._early = done
            threading.Thread(target=load, args=(known.vocabulary,), daemon=True).start()
        return run.awaited(known, self._early) if has_news or done else None

    def complete(self, known: Known, now: datetime) -> run.Estimated:
        """Everything worked out here and now: at the start, and after a change of the roster or the assumptions."""
        made = run.estimate_what_can(known)
        self._lines, self._begun_at, self._is_behind = made.lines, now, False
        self._at_work = self._next = None
        return made

    def tickets_of(self, known: Known, shown: run.Estimated | None = None) -> run.Estimated:
        """The tickets of now beside everything as it is shown, or is to be; the rest is to follow."""
        shown = shown or self._writer.shown
        making = run.Making(known, shown.lines or self._lines)
        making.step()
        self._news = known
        self._next = making if shown.lines is self._lines else run.Making(known, self._lines)
        return beside_the_rest(making.made(), shown)

    def go_on(self, has_arrived: Callable[[], bool]) -> run.Estimated | None:
        """Works on what follows, for a while at least and until something arrives; what to publish once all is made."""
        if self._at_work is None:
            if self._next is None or time.monotonic() < self._rest_until:
                return None
            self._at_work, self._next, self._spent = self._next, None, 0.0
        began = time.monotonic()
        while not self._at_work.is_done():
            self._at_work.step()
            if time.monotonic() - began >= AT_LEAST_SECONDS and has_arrived():
                break
        self._spent += time.monotonic() - began
        if not self._at_work.is_done():
            return None
        rest, self._at_work = self._at_work, None
        self._rest_until = time.monotonic() + self._spent * (1 - SHARE) / SHARE
        if self._news is None or self._news.at <= rest.known.at:
            return rest.made()
        newer = run.Making(self._news, rest.lines)  # more tickets have come meanwhile
        newer.step()
        return beside_the_rest(newer.made(), rest.made())


def beside_the_rest(tickets: run.Estimated, rest: run.Estimated) -> run.Estimated:
    """Newer tickets with everything else as it was made before, on the same lines."""
    failed = {what: why for what, why in rest.failed.items() if what != FIRST}
    frames = {what: frame for what, frame in rest.frames.items() if what != FIRST}
    since = rest.since or rest.at
    return run.Estimated(tickets.at, frames | tickets.frames, failed | tickets.failed, rest.lines, since)
