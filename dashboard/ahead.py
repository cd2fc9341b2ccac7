"""Reading ahead: a thread of the board's server reads each new snapshot and works out what is being looked at.

Only then is the snapshot shown, so that neither a click nor a screen waits for either.
"""

import atexit
import ctypes
import os
import sys
import threading
import time

import duckdb

from dashboard import data
from dashboard.data import Asked, Key, Published
from pipeline.errors import BookEmpty, WardbookError

READ_AHEAD = "WARDBOOK_READ_AHEAD"  # set to 1 where a server runs for long
LOOK_SECONDS = 0.1  # between looks at the file's entry
# After which a busy thread gives way: Python's own 5 ms would be waited for hundreds of times a snapshot [s]
SWITCH_SECONDS = 0.0005
TRY_AGAIN_SECONDS = 1.0  # while there is nothing that can be shown
PREPARE_SECONDS = 0.4  # the longest that a new snapshot is held back for what can be worked out later: our choice
STOP_SECONDS = 5.0
GIVE_BACK_SECONDS = 5.0  # between times at which freed memory is given back: our choice
WANTED_SECONDS = 20.0  # what nobody has asked for in so long is worked out when somebody does: our choice


class Reader:
    """Reads what is published, and remembers what was asked of it lately."""

    def __init__(self) -> None:
        self._wanted: dict[Key, tuple[Asked, float]] = {}  # what was asked, and when that was last noticed
        self._given_back = 0.0  # when freed memory was last given back, by the clock of `look`
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.run, name="reader", daemon=True)

    def look(self, now: float) -> None:
        """Makes the newest snapshot ready and shows it, where there is a newer one.

        Raises
        ------
        BookEmpty : if there is none.
        """
        shown, seen = data.NEWEST.ready(), data.on_disk()
        if seen is None:
            raise BookEmpty("Nothing has been published.")
        if shown is not None and shown.seen == seen:
            return
        made = data.read_published(str(data.folder()), seen)
        self.prepare(shown, made, now)
        data.NEWEST.show(made)
        if shown is not None and shown.present is not None:
            shown.present.let_go()
        if now - self._given_back >= GIVE_BACK_SECONDS:
            self._given_back = now
            give_back()

    def prepare(self, shown: Published | None, made: Published, now: float) -> None:
        """Works out of a new snapshot what was asked of the last ones: the most often asked first, for a while."""
        if made.present is None:
            return
        if shown is not None and shown.present is not None:
            self._wanted |= {key: (asked, now) for key, asked in dict(shown.present.asked).items()}
        self._wanted = {key: want for key, want in self._wanted.items() if now - want[1] < WANTED_SECONDS}
        began = time.monotonic()
        for asked, _ in sorted(self._wanted.values(), key=lambda want: -want[0].times):
            try:
                asked.work_out(made.present, *asked.args, **asked.named)
            except Exception:  # whoever asks for it is told: a site that has left the roster, a fault of ours
                continue
            if time.monotonic() - began > PREPARE_SECONDS:
                break
        made.present.asked.clear()  # by nobody but this thread so far

    def start(self) -> None:
        """Begins to look."""
        self._thread.start()

    def stop(self) -> None:
        """Ends the thread before the server ends: torn out of a look it would leave an alarming message."""
        self._stop.set()
        self._thread.join(STOP_SECONDS)

    def run(self) -> None:
        """As long as the server runs."""
        wait = 0.0
        while not self._stop.wait(wait):
            wait = LOOK_SECONDS
            try:
                self.look(time.monotonic())
                data.NEWEST.is_read_ahead = True
            except (WardbookError, duckdb.Error, OSError):  # sessions then read for themselves, and say why they cannot
                data.NEWEST.is_read_ahead = False
                wait = TRY_AGAIN_SECONDS


def give_back() -> None:
    """Returns to the system what drawings have freed: glibc keeps it in pieces, and each further session adds some."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)


_begin = threading.Lock()
_reader: Reader | None = None


def begin() -> None:
    """Starts the thread with the first session, on a board that was asked to."""
    global _reader
    with _begin:
        if _reader is None and os.environ.get(READ_AHEAD) == "1":
            sys.setswitchinterval(SWITCH_SECONDS)
            _reader = Reader()
            _reader.start()
            atexit.register(_reader.stop)
