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
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.estimates.lines.filter import HEAD, Array, Floats, Habits, Ints, Places
from pipeline.estimates.lines.observations import Observations
from pipeline.estimates.lines.weighing import COLUMNS

EVERY = 30  # minutes from one checkpoint to the next [min]; our choice
FIRST = 15  # columns before the first one: the county's day is drawn from the middle of a half-hour to the next [min]
KEPT_MINUTES = 135  # checkpoints older than this before T are not kept: a late half-hour reaches back to them [min]
LEAST_BYTES = 64 * 2**20  # memory that checkpoints may take in a small county [bytes]; our choice
AT_ONCE = KEPT_MINUTES // EVERY + 1  # checkpoints of a site that hold at once [count]


@dataclasses.dataclass(frozen=True)
class Checkpoint:
    """One site before a minute: rows x particles, logs of weights (2 x particles), whether its parts are apart."""

    z: Array
    logw: Floats
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
        each = particles * (rows * np.dtype(np.float32).itemsize + 2 * np.dtype(np.float64).itemsize)
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


def newest(chain: Sequence[bytes]) -> tuple[int, Checkpoint | None]:
    """The last checkpoint kept of a site's chain of digests, and its place there; 0 and none before opening.

    All of late that hold are asked for, so that the shelf lets go of what no longer holds before it lets go of them.
    """
    found: tuple[int, Checkpoint | None] = (0, None)
    for part in range(len(chain) - 1, 0, -1):
        if found[0] and part < len(chain) - AT_ONCE:
            break
        point = SHELF.find(chain[part])
        if point is not None and not found[0]:
            found = (part, point)
    return found


def column_of(part: int) -> int:
    """The column before which a checkpoint stands, by its place in a chain; 0 for the start before opening."""
    return FIRST + (part - 1) * EVERY if part else 0


def parts_before(column: int) -> int:
    """How many checkpoints stand before this column or at it."""
    return (column - FIRST) // EVERY + 1 if column >= FIRST else 0


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
        z[rows_of(int(own), most), k] = point.z
    logw = np.stack([point.logw for point in points], axis=1)
    return Begun(z, logw, np.array([point.is_apart for point in points]), column)


def rows_of(own: int, most: int) -> Ints:
    """The rows of a site with so many scanners among states laid out for `most`."""
    return np.r_[0 : HEAD + own, HEAD + most : HEAD + most + own]


@dataclasses.dataclass(frozen=True)
class Keeper:
    """Keeps the states of some sites under their digests while they are replayed up to `column`."""

    marks: Sequence[Sequence[bytes]]
    scanners: Ints
    column: int

    def note(self, at: int, z: Array, logw: Floats, is_apart: NDArray[np.bool_]) -> None:
        """Keep what is there before column `at`, if that is a checkpoint of late."""
        part = parts_before(at)
        if not part or column_of(part) != at or self.column - at > KEPT_MINUTES:
            return
        most = int(self.scanners.max(initial=0))
        for k, own in enumerate(self.scanners):
            mark = self.marks[k][part]
            if SHELF.find(mark) is None:
                point = Checkpoint(z[rows_of(int(own), most), k], logw[:, k].copy(), bool(is_apart[k]))
                SHELF.keep(mark, point)


def digests(
    known: Known, places: Places, habits: Habits, seen: Observations, spread: Floats, particles: Ints, column: int,
    split: NDArray[np.bool_],
) -> list[list[bytes]]:  # fmt: skip
    """For each site the digest of all that its state stands on before column 0 and before each checkpoint's.

    Parameters
    ----------
    spread, particles : of each site, a value a site
    split : sites x minutes, as for `replay`
    """
    model = repr((habits, sorted((k, v) for k, v in known.settings.items() if k.startswith("lines."))))
    rows = rows_by_part(seen, places.first_minute, column)
    minutes = places.first_minute + np.arange(column)
    found = []
    for s, seed in enumerate(places.seeds):
        own = (model, seed, places.first_minute, int(places.scanners[s]), int(particles[s]), float(spread[s]),
               float(places.stations[s, 0]), float(places.booths[s, 0]))  # fmt: skip
        number = int(places.scanners[s])
        dark = places.dark_from[s, :number, None] <= minutes
        dark &= minutes < places.dark_until[s, :number, None]
        chain = [hashlib.sha256(repr(own).encode()).digest()]
        for part in range(parts_before(column)):
            span = slice(column_of(part), column_of(part + 1))
            hashed = hashlib.sha256(chain[-1])
            for by_minute in (places.rates, places.pace, places.serving, places.scanning, split):
                hashed.update(by_minute[s, span].tobytes())
            hashed.update(dark[:, span].tobytes())
            for table in rows:
                hashed.update(table.get((s, part), b"-"))
            chain.append(hashed.digest())
        found.append(chain)
    return found


def rows_by_part(seen: Observations, first: int, column: int) -> list[dict[tuple[int, int], bytes]]:
    """What is weighed of each table, as bytes by site and part of the day; in the order in which it stands."""
    found = []
    for name, columns in COLUMNS.items():
        table: pl.DataFrame = getattr(seen, name)
        table = table.filter(pl.col("minute").is_between(first, first + column)).sort(
            "site", "minute", maintain_order=True
        )
        values = table.select(pl.col("minute", *columns).cast(pl.Float64)).to_numpy()
        site, part = table["site"].to_numpy(), (table["minute"].to_numpy() - first - FIRST) // EVERY + 1
        ends = np.flatnonzero((np.diff(site) != 0) | (np.diff(part) != 0)) + 1
        starts = np.concatenate([[0], ends]) if len(site) else ends
        stops = np.append(ends, len(site))
        found.append({(int(site[a]), int(part[a])): values[a:b].tobytes() for a, b in zip(starts, stops, strict=False)})
    return found
