"""States of the replay that a later one may begin from: kept in memory under everything that they stand on.

A site's particles before a minute follow from its priors and its arrivals, hours, power and rows up to then: nothing
else. A checkpoint is found only by a digest of all these, so a replay that begins at one gives the very numbers of one
that begins before opening, and a late row makes a site begin at the last checkpoint before it.
"""

import dataclasses
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.estimates.lines import halves, siterows
from pipeline.estimates.lines.filter import HEAD, Array, Floats, Habits, Ints, Places
from pipeline.estimates.lines.siterows import SiteRows

EVERY = 10  # minutes from one checkpoint to the next [min]; our choice
FIRST = 5  # columns before the first one: some stand where the county's day bends, in the middle of a half-hour [min]
LATE_MINUTES = 35  # checkpoints newer than this before T are all kept, as most news is of those minutes [min]
BEND, HALF_HOUR = 15, 30  # of the older ones, those that stand where the county's day bends [min]
# Checkpoints older than this before T are not kept: a half-hour that is heard of at last moves those up to LAG_BINS
# before it (`countyday.py`), and the level from the middle of the one before them on [min].
KEPT_MINUTES = 180
LEAST_BYTES = 64 * 2**20  # memory that checkpoints may take in a small county [bytes]; our choice
AT_ONCE = LATE_MINUTES // EVERY + KEPT_MINUTES // HALF_HOUR + 1  # checkpoints of a site that hold at once [count]


@dataclasses.dataclass(frozen=True)
class Checkpoint:
    """One site before a minute: rows x particles, logs of weights (2 x particles), whether its parts are apart."""

    z: Array | halves.Halves
    logw: Array
    is_apart: bool

    @property
    def bytes(self) -> int:
        """Memory that it takes."""
        return self.z.nbytes + self.logw.nbytes


class Shelf:
    """Checkpoints by digest, `most` bytes of them; what has not been asked for longest goes first."""

    def __init__(self, most: int = LEAST_BYTES) -> None:
        self.most, self.used = most, 0
        self.kept: OrderedDict[bytes, Checkpoint] = OrderedDict()
        self.lock = threading.Lock()

    def make_room(self, particles: Ints, scanners: Ints) -> None:
        """Room for what replays of a county keep, so that a large one does not push its own checkpoints out."""
        rows = HEAD + 2 * scanners
        each = particles * (rows * np.dtype(np.float16).itemsize + 2 * np.dtype(np.float32).itemsize)
        with self.lock:
            self.most = max(self.most, int(each.sum()) * AT_ONCE)

    def find(self, digest: bytes) -> Checkpoint | None:
        """The checkpoint of a digest, if it is kept."""
        with self.lock:
            if digest in self.kept:
                self.kept.move_to_end(digest)
            return self.kept.get(digest)

    def keep(self, digest: bytes, point: Checkpoint) -> None:
        """Keep one, and let go what is too much."""
        with self.lock:
            if digest in self.kept:
                return
            self.kept[digest] = point
            self.used += point.bytes
            while self.used > self.most and self.kept:
                self.used -= self.kept.popitem(last=False)[1].bytes

    def clear(self) -> None:
        """Let go of all."""
        with self.lock:
            self.kept.clear()
            self.used = 0


SHELF = Shelf()


def is_one(column: int) -> bool:
    """Whether a checkpoint stands before this column."""
    return column >= FIRST and (column - FIRST) % EVERY == 0


def columns_kept(column: int) -> list[int]:
    """Before which columns states are kept when a replay ends with `column`, in order."""
    ahead = range(FIRST, column + 1, EVERY)
    return [c for c in ahead if column - c < (KEPT_MINUTES if c % HALF_HOUR == BEND else LATE_MINUTES)]


def newest(marks: dict[int, bytes]) -> tuple[int, Checkpoint | None]:
    """The last checkpoint kept of a site's, by its digests, and its column; 0 and none before opening.

    All that hold are asked for, so that the shelf lets go of what no longer holds before it lets go of them.
    """
    found: tuple[int, Checkpoint | None] = (0, None)
    for column, mark in reversed(marks.items()):
        point = SHELF.find(mark)
        if point is not None and not found[0]:
            found = (column, point)
    return found


class Begun:
    """Where a replay of some sites begins: states, logs of weights, whether a site's parts are apart, at a column."""

    def __init__(
        self, z: Array, logw: Floats | None = None, is_apart: NDArray[np.bool_] | None = None, column: int = 0
    ) -> None:
        self.z, self.column = z, column
        self.logw = np.zeros((2, *z.shape[1:])) if logw is None else logw
        self.is_apart = np.zeros(z.shape[1], bool) if is_apart is None else is_apart


def restored(points: Sequence[Checkpoint], scanners: Ints, column: int) -> Begun:
    """The states of some sites from their checkpoints, which are of one column."""
    most = int(scanners.max(initial=0))
    z = np.zeros((HEAD + 2 * most, len(points), points[0].z.shape[1]), np.float32)
    for k, (point, own) in enumerate(zip(points, scanners, strict=True)):
        halves.put_back(z, rows_of(int(own), most), k, point.z)
    logw = np.stack([point.logw for point in points], axis=1).astype(np.float64)
    return Begun(z, logw, np.array([point.is_apart for point in points]), column)


def rows_of(own: int, most: int) -> Ints:
    """The rows of a site with so many scanners among states laid out for `most`."""
    return np.r_[0 : HEAD + own, HEAD + most : HEAD + most + own]


@dataclasses.dataclass(frozen=True)
class Keeper:
    """Keeps the states of some sites under their digests while they are replayed."""

    marks: Sequence[dict[int, bytes]]
    scanners: Ints

    def note(self, at: int, z: Array, logw: Floats, is_apart: NDArray[np.bool_]) -> None:
        """Keep what is there before column `at`, if that is a checkpoint of late."""
        most = int(self.scanners.max(initial=0))
        for k, own in enumerate(self.scanners):
            mark = self.marks[k].get(at)
            if mark is not None and SHELF.find(mark) is None:
                SHELF.keep(mark, packed(z, rows_of(int(own), most), k, logw, bool(is_apart[k])))


def packed(z: Array, rows: Ints, s: int, logw: Floats, is_apart: bool) -> Checkpoint:
    """One site's states, rounded off, in half precision where all of them fit."""
    return Checkpoint(halves.packed(z, rows, s), logw[:, s].astype(np.float32), is_apart)


def digests(
    known: Known, places: Places, habits: Habits, rows: dict[str, SiteRows], spread: Floats, particles: Ints,
    column: int, split: NDArray[np.bool_],
) -> list[dict[int, bytes]]:  # fmt: skip
    """For each site, by column: the digest of all that its state stands on before each checkpoint that is kept.

    Parameters
    ----------
    rows : what is weighed
    spread, particles : of each site, a value a site
    split : sites x minutes, as for `replay`
    """
    model = repr((habits, sorted((k, v) for k, v in known.settings.items() if k.startswith("lines."))))
    told, kept, weighed = by_minute(places, split, column), columns_kept(column), siterows.merged(rows)
    sites, edges = np.arange(len(places.seeds)), [0, *kept]
    ends = np.stack([weighed.ends(sites, np.full(len(sites), places.first_minute + edge)) for edge in edges], axis=1)
    found = []
    for s, seed in enumerate(places.seeds):
        own = (model, seed, places.first_minute, int(places.scanners[s]), int(particles[s]), float(spread[s]),
               float(places.stations[s, 0]), float(places.booths[s, 0]))  # fmt: skip
        by_now, rows_by_now, marks = hashlib.sha256(repr(own).encode()), hashlib.sha256(), {}
        for k, edge in enumerate(kept):
            by_now.update(told[s, edges[k] : edge].data)
            rows_by_now.update(weighed.values[ends[s, k] : ends[s, k + 1]].data)
            marks[edge] = by_now.digest() + rows_by_now.digest()
        found.append(marks)
    return found


def by_minute(places: Places, split: NDArray[np.bool_], column: int) -> NDArray[np.uint8]:
    """All that a site's state stands on beside its rows, as bytes: sites x minutes before `column` x bytes."""
    minutes = places.first_minute + np.arange(column)
    dark = (places.dark_from[:, None] <= minutes[:, None]) & (minutes[:, None] < places.dark_until[:, None])
    parts = [places.rates, places.pace, places.serving, places.scanning, split]
    series = [np.ascontiguousarray(part[:, :column])[:, :, None].view(np.uint8) for part in parts]
    return np.concatenate([*series, dark.view(np.uint8)], axis=2)
