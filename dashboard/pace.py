"""How often pages are drawn anew: as soon as something is new, unless so many look on that drawing would take the
processor from the intake.
"""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from streamlit.runtime.scriptrunner import StopException

LOOK_EVERY_SECONDS = 2.0  # between looks at whether a newer snapshot has been published
LONGEST_SECONDS = 10.0  # between drawings, however many look on: our choice
AT_ONCE = 2  # pages that are drawn anew at the same time, not counting those that somebody asked for: our choice
SHARE = 0.3  # of one processor that drawing may take where no ticket has come: our choice
NEWEST = 0.2  # weight of the newest drawing in the mean cost: our choice
GONE_SECONDS = 30.0  # a session that has not looked for so long looks no more


@dataclass
class Pace:
    """Who looks on, and what a drawing costs; one for all sessions of the server."""

    cost: float = 0.0  # mean processor time of a drawing [s]
    looked: dict[str, float] = field(default_factory=dict)  # session → when it last looked
    lock: threading.Lock = field(default_factory=threading.Lock)

    def note_look(self, session: str, now: float) -> None:
        """A session is there."""
        with self.lock:
            self.looked[session] = now
            for gone in [s for s, at in self.looked.items() if now - at > GONE_SECONDS]:
                del self.looked[gone]

    def note_drawing(self, seconds: float) -> None:
        """A page was drawn in so much processor time."""
        self.cost += NEWEST * (seconds - self.cost)

    def is_due(self, age: float) -> bool:
        """Whether a page drawn so long ago [s] may be drawn anew: at the look that is nearest to its time."""
        return age >= self.interval() - LOOK_EVERY_SECONDS / 2

    def interval(self) -> float:
        """How long a page is left as it is [s]."""
        wanted = len(self.looked) * self.cost / SHARE
        return min(wanted, LONGEST_SECONDS) if wanted > LOOK_EVERY_SECONDS else 0.0


PACE = Pace()


class Turns:
    """Turns at drawing anew what the clock asks for, so that a click never competes with dozens of drawings.

    A turn is taken in a fragment, before the whole page is run in the same thread, and ends with that run.
    """

    def __init__(self, at_once: int = AT_ONCE, patience: float = LONGEST_SECONDS) -> None:
        self._free = threading.BoundedSemaphore(at_once)
        self._patience = patience
        self._mine = threading.local()

    @contextmanager
    def taken(self) -> Iterator[None]:
        """Waits for a turn and keeps it for the run that follows; where the session has ended meanwhile, none does."""
        if not getattr(self._mine, "is_held", False):
            self._mine.is_held = self._free.acquire(timeout=self._patience)
        try:
            yield
        except StopException:
            self.end()
            raise

    def end(self) -> None:
        """Ends this thread's turn, if it has one."""
        if getattr(self._mine, "is_held", False):
            self._mine.is_held = False
            self._free.release()


TURNS = Turns()


class Drawing:
    """Measures one drawing of a page, and ends its turn."""

    def __enter__(self) -> None:
        self._begun = time.thread_time()

    def __exit__(self, *_: object) -> None:
        PACE.note_drawing(time.thread_time() - self._begun)
        TURNS.end()
