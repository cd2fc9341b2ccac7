"""One moment of the book as the board shows it, and what pages have worked out of it, kept with it."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import wraps
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

import polars as pl

from pipeline.contracts.estimates import AWAITED, ESTIMATES, FIRST
from pipeline.contracts.known import Known, empty
from pipeline.errors import NotYet

if TYPE_CHECKING:
    from pipeline.estimates import Answers

Key = tuple[Any, ...]  # a function's place and name, and its arguments


@dataclass
class Asked:
    """A function of a picture with its other arguments, and how often it was called [count]."""

    work_out: Callable[..., Any]
    args: tuple[Any, ...]
    named: dict[str, Any]
    times: int = 0


@dataclass
class Use:
    """Whether a moment is still the newest, and how many pages are being drawn of it [count]."""

    drawings: int = 0
    is_over: bool = False
    lock: threading.Lock = field(default_factory=threading.Lock)


@dataclass(frozen=True)
class Picture:
    """Everything shown for one moment; what was not published is worked out when a page asks for it, and kept.

    `lines_at` and `rest_at` are before `at` while the lines, and what is neither lines nor tickets, are still being
    worked out for `at`: what stands on them says so.
    """

    folder: str
    version: int
    at: datetime
    lines_at: datetime
    rest_at: datetime
    is_live: bool
    known: Known
    receipts: pl.DataFrame
    first_at: datetime
    newest_at: datetime
    frames: dict[str, pl.DataFrame]
    answering: Callable[[], "Answers"]
    failed: dict[str, str] = field(default_factory=dict)
    kept: dict[Key, Any] = field(default_factory=dict)
    asked: dict[Key, Asked] = field(default_factory=dict)
    locks: dict[Key, threading.RLock] = field(default_factory=dict)
    lock: threading.RLock = field(default_factory=threading.RLock)  # of the estimates
    use: Use = field(default_factory=Use)

    @property
    def zone(self) -> str:
        return self.known.county.zone

    @property
    def answers(self) -> "Answers":
        return self.answering()

    def answer(self, what: str) -> pl.DataFrame:
        """One of the estimates; empty, with the reason in `failed`, where it cannot be made; raises where awaited."""
        if what in self.frames:
            return self.frames[what]
        with self.lock:
            if self.failed.get(what) == AWAITED:
                raise NotYet(f"The estimate {what} {AWAITED}. It appears by itself.")
            if what in self.failed:  # the writer could not make it, and this process would fare no better
                return empty(ESTIMATES[what])
            if what not in self.frames:
                try:
                    self.frames[what] = self.answers.answer(what)
                except Exception as error:  # a fault in one estimate must not cost the night the others
                    self.failed[what] = f"{type(error).__name__}: {error}".splitlines()[0]
                    self.frames[what] = empty(ESTIMATES[what])
            return self.frames[what]

    @property
    def is_awaited(self) -> bool:
        """Whether the lines, and what stands on them, are still to come."""
        return AWAITED in self.failed.values()

    def let_go(self) -> None:
        """From now on keeps only what cannot be worked out again: screens that still show this moment hold it for a
        while. What a drawing that has begun works with stays until that ends.
        """
        with self.use.lock:
            self.use.is_over = True
            self.clear_if_unused()

    @contextmanager
    def drawn(self, is_held: bool = False) -> Iterator[None]:
        """While a page is drawn of this moment. Of one that somebody holds what was worked out stays after that too."""
        with self.use.lock:
            self.use.drawings += 1
        try:
            yield
        finally:
            with self.use.lock:
                self.use.drawings -= 1
                if not is_held:
                    self.clear_if_unused()

    def clear_if_unused(self) -> None:
        """Forgets what was worked out, where the moment is over and nobody draws it."""
        if self.use.is_over and not self.use.drawings:
            self.kept.clear()
            self.asked.clear()

    def made_at(self, what: str) -> datetime:
        """The time that an estimate answers for."""
        return self.at if what == FIRST else self.lines_at if what in ("lines", "outlook") else self.rest_at

    def last_received(self, kind: str) -> datetime | None:
        """When a file of a kind came last."""
        found = self.receipts.filter((pl.col("kind") == kind) & pl.col("refused").is_null())["received_at"].max()
        return found if isinstance(found, datetime) else None


MISSING: Any = object()  # what has not been worked out; None is an answer
P = ParamSpec("P")
Found = TypeVar("Found")


def once(make: Callable[Concatenate[Picture, P], Found]) -> Callable[Concatenate[Picture, P], Found]:
    """Works a thing out once for a picture, whoever looks at it; the other arguments are plain values.

    Each thing has a lock of its own: a page must not wait for what only another page shows.
    """

    @wraps(make)
    def kept(picture: Picture, *args: P.args, **named: P.kwargs) -> Found:
        key = (make.__code__.co_filename, make.__qualname__, args, tuple(sorted(named.items())))
        picture.asked.setdefault(key, Asked(kept, args, named)).times += 1
        found: Found = picture.kept.get(key, MISSING)
        if found is MISSING:
            with picture.locks.setdefault(key, threading.RLock()):
                found = picture.kept.get(key, MISSING)
                if found is MISSING:
                    found = picture.kept[key] = make(picture, *args, **named)
        return found

    return kept
