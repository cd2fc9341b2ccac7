"""What people have waited so far, and what of it was lost to a cause: the same particles with that cause switched off.

Beside every particle of the replay runs one per cause, on the same chances, with its own people in the lines. What the
observations reveal of the lines (more people than believed, or fewer) is moved in both. Particles are resampled, so
what they remember of hours ago comes from ever fewer of them: sums are therefore closed after every block, from the
particles as they stood an hour later (fixed-lag smoothing, Kitagawa & Sato 2001), and the blocks' points are added, as
if their errors went together: an interval that is too wide rather than too narrow.

Who waits for a booth is not counted: no feed tells of it, so that it would be the model's word alone.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.asked import WAIT_CAUSES, Waits
from pipeline.contracts.known import Known, empty
from pipeline.estimates.lines import observations, siterows
from pipeline.estimates.lines.chances import Draw
from pipeline.estimates.lines.filter import (
    CHECKIN,
    CHECKIN_ROWS,
    FINISHING,
    HEAD,
    MARKING,
    PHASES,
    SCAN_PHASES,
    SCANNING,
    SHUT,
    UP,
    Array,
    Floats,
    Habits,
    Places,
)
from pipeline.estimates.lines.lines import Day, basis_of
from pipeline.estimates.lines.replay import (
    replay,
    some_places,
    start_particles,
    weigh_minute,
)
from pipeline.estimates.lines.runs import repeated, waiting_by_line
from pipeline.estimates.lines.stepping import step
from pipeline.estimates.lines.weighing import Weighing

CAUSES = WAIT_CAUSES[1:]
SHORT, STOPPED, POWER, LATE = range(len(CAUSES))
AT_ONCE = 30  # sites replayed together: bounds memory [count]
BLOCK = 60  # after which sums are closed, an hour later [min]; our choice
FRONT, BACK = (CHECKIN, PHASES), (MARKING, FINISHING, SCANNING, SCAN_PHASES)  # rows that each cause has of its own
SUMS = 1 + len(CAUSES)  # waited as it is, and with each cause switched off
FRONT_ROWS = len(CAUSES) * len(FRONT) + 2 * SUMS
BACK_ROWS = len(CAUSES) * len(BACK) + 2 * SUMS
POINTS = (0.5, 0.05, 0.95)


def waits(known: Known, day: Day) -> pl.DataFrame:
    """Waits so far and losses by cause: Waits, for the sites that were due to open by T."""
    basis = basis_of(day.seen, day.facts, day.now)
    rows: list[tuple] = []
    weighed = siterows.by_site(day.seen)
    due = (day.facts.opens < day.now) & (day.facts.closes > day.facts.opens)
    which, count = np.flatnonzero(due), max(int(known.settings["lines.particles"]), 1)
    for start in range(0, len(which), AT_ONCE):
        sites = which[start : start + AT_ONCE]
        found = losses(known, day, weighed, sites, count)
        for s, site in enumerate(sites):
            rows += rows_of(day.facts.site_ids[site], found[:, :, s], basis[int(site), 0])
    return pl.DataFrame(rows, schema=dict(empty(Waits).schema), orient="row").sort("site_id", maintain_order=True)


def rows_of(site_id: str, points: Floats, basis: str) -> list[tuple]:
    """A site's rows: what people waited, then each cause."""
    whole = max(float(points[0, 0]), 1e-9)
    return [
        (
            site_id,
            cause,
            *(float(x) for x in points[k]),
            float(np.clip(points[k, 0] / whole, 0, 1)) if k else 1.0,
            basis,
        )
        for k, cause in enumerate(WAIT_CAUSES)
    ]


def losses(
    known: Known, day: Day, rows: dict[str, siterows.SiteRows], sites: NDArray[np.int64], particles: int
) -> Floats:
    """Mean, median, 5 % and 95 % of what was waited and of each cause's part: SUMS x 4 x sites [voter-minutes]."""
    places = some_places(day.places, sites)
    bare = start_particles(known, day.places, day.spread, sites, particles)
    z = np.concatenate([bare, np.zeros((FRONT_ROWS + BACK_ROWS, *bare.shape[1:]), np.float32)])
    due = day.facts.opens[sites], day.facts.last_voter[sites]
    beside = Beside(len(bare), places, *due, outages(known, day, sites))
    front = np.concatenate([CHECKIN_ROWS, np.arange(len(bare), len(bare) + FRONT_ROWS)])
    split = observations.watched(day.seen, day.places, sites)
    tables = siterows.tables_of(rows, sites, places.first_minute)
    replay(z, places, day.habits, tables, day.column, beside.move, beside.weigh, split, front)
    return beside.closed_at_end(z)


def outages(known: Known, day: Day, sites: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Where a site's circuit was out, as the utility lists it, or its units are dark: sites x minutes."""
    minutes = day.places.first_minute + np.arange(day.places.rates.shape[1])
    off = np.zeros((len(sites), len(minutes)), bool)
    ids = {day.facts.site_ids[site]: k for k, site in enumerate(sites)}
    listed = known.sites.select("site_id", "circuit").drop_nulls().join(known.outages, on="circuit")
    spans = listed.select(
        "site_id", start=observations.minute_of("started_at", known), end=observations.minute_of("restored_at", known)
    )
    for site_id, start, end in spans.sort("site_id", "start").iter_rows():
        if site_id in ids and start is not None:
            off[ids[site_id]] |= (minutes >= start) & (minutes < (np.inf if end is None else end))
    return off


@dataclass
class Beside:
    """The days without a cause, kept in further rows of the particles; `base` rows are the filter's own."""

    base: int
    places: Places
    opens: NDArray[np.int64]
    last_voter: Floats
    off: NDArray[np.bool_]
    logw: Floats | None = None
    closed: list[Floats] = field(default_factory=list)

    def __post_init__(self) -> None:
        count = len(self.places.seeds)
        rows = list(range(count)) * len(CAUSES)
        grid = self.places.first_minute + np.arange(self.places.rates.shape[1])
        late = (grid[None] >= self.opens[:, None]) & ~np.logical_or.accumulate(self.places.serving, axis=1)
        changes: dict[str, Any] = {}
        for name in ("serving", "scanning"):
            stacked = np.tile(getattr(self.places, name), (len(CAUSES), 1))
            stacked[LATE * count :][:count] |= late
            changes[name] = stacked
        pace = np.tile(self.places.pace, (len(CAUSES), 1))
        pace[POWER * count :][:count] = 1
        dark = np.tile(self.places.dark_from, (len(CAUSES), 1))
        dark[POWER * count :][:count] = np.inf
        self.without = repeated(self.places, rows, pace=pace, dark_from=dark, **changes)
        self.most = int(self.places.scanners.max(initial=0))

    def own(self, cause: int) -> list[tuple[int, int]]:
        """(row of the filter, further row that stands in for it) of one cause."""
        front = self.base + cause * len(FRONT)
        back = self.base + FRONT_ROWS + cause * len(BACK)
        return [(row, front + k) for k, row in enumerate(FRONT)] + [(row, back + k) for k, row in enumerate(BACK)]

    def sums(self, z: Array, block: int) -> tuple[Array, Array]:
        """Running sums at check-in and beyond it, of the block before (0) or of this one (1): views, SUMS x ..."""
        front = self.base + len(CAUSES) * len(FRONT) + block * SUMS
        back = self.base + FRONT_ROWS + len(CAUSES) * len(BACK) + block * SUMS
        return z[front : front + SUMS], z[back : back + SUMS]

    def move(self, z: Array, places: Places, habits: Habits, column: int, draw: Draw) -> None:
        """Step the filter's particles and those beside them on the same chances, and add up who waits."""
        count = z.shape[1]
        beside = np.tile(z[: self.base], (1, len(CAUSES), 1))
        for cause in range(len(CAUSES)):
            mine = slice(cause * count, (cause + 1) * count)
            for row, further in self.own(cause):
                beside[row, mine] = z[further]
        self.switch_off(beside, count, column)
        step(z[: self.base], places, habits, column, draw)
        step(beside, self.without, habits, column, draw.repeated(len(CAUSES)))
        for cause in range(len(CAUSES)):
            mine = slice(cause * count, (cause + 1) * count)
            for row, further in self.own(cause):
                z[further] = beside[row, mine]
        self.add(z, beside, column)
        if (places.first_minute + column) % BLOCK == 0:
            self.close(z, places.first_minute + column)

    def switch_off(self, beside: Array, count: int, column: int) -> None:
        """Take each cause out of its own particles: stations are manned, scanners work."""
        beside[SHUT, SHORT * count :][:count] = 0
        off = self.off[:, column, None]
        for k in range(self.most):
            for cause, is_cause in ((STOPPED, ~off), (POWER, off)):
                rows = beside[HEAD + k, cause * count :][:count]
                rows[:] = np.where(is_cause, UP, rows)

    def add(self, z: Array, beside: Array, column: int) -> None:
        """Add the people in the two lines now to this block's sums, from the scheduled opening to the last voter."""
        count, minute = z.shape[1], self.places.first_minute + column
        is_due = ((minute >= self.opens) & (minute < self.last_voter))[:, None]
        lines = [waiting_by_line(z[: self.base], self.places, column)]
        others = waiting_by_line(beside, self.without, column)
        lines += [others[:, cause * count : (cause + 1) * count] for cause in range(len(CAUSES))]
        front, back = self.sums(z, 1)
        for k, waiting in enumerate(lines):
            front[k] += waiting[0] * is_due
            back[k] += waiting[2] * is_due

    def weigh(self, w: Weighing, rows: dict[str, list[NDArray[np.float64]]]) -> None:
        """Weigh the minute; people whom it puts into a line or takes out of it are moved beside too.

        But for one thing: a counter that stood still puts back people who are believed not to have been read, as the
        scanner stood. Without that stop they have been read.
        """
        self.logw = w.logw
        off = self.off[:, w.column, None]
        standing = {STOPPED: ~off, POWER: off}
        first = {name: found if name in ("calls", "scans") else [] for name, found in rows.items()}
        rest = {name: [] if name in ("calls", "scans") else found for name, found in rows.items()}
        for part, causes in ((first, standing), (rest, {})):
            before = {row: w.z[row].copy() for row in (CHECKIN, MARKING, FINISHING, SCANNING)}
            weigh_minute(w, part)
            self.follow(w.z, before, causes)

    def follow(self, z: Array, before: dict[int, Array], standing: dict[int, NDArray[np.bool_]]) -> None:
        """Move people beside as the filter's were; those before a scanner not where its stop is switched off."""
        for cause in range(len(CAUSES)):
            for row, further in self.own(cause):
                if row in before:
                    moved = z[row] - before[row]
                    if row == SCANNING and cause in standing:
                        moved = np.where(standing[cause], 0, moved)
                    z[further] = np.maximum(z[further] + moved, 0)

    def close(self, z: Array, minute: int) -> None:
        """Close the sums of the block before this one; this one becomes the block before."""
        front, back = self.sums(z, 0)
        self.closed.append(points(front, back, self.logw))
        for older, newer in zip(self.sums(z, 0), self.sums(z, 1), strict=True):
            older[:] = newer
            newer[:] = 0

    def closed_at_end(self, z: Array) -> Floats:
        """All blocks together; the last two stand as the particles at T remember them."""
        (front, back), (front_now, back_now) = self.sums(z, 0), self.sums(z, 1)
        return np.asarray(sum([*self.closed, points(front + front_now, back + back_now, None)]))


def points(front: Array, back: Array, logw: Floats | None) -> Floats:
    """Mean, median, 5 % and 95 % of what was waited, and of each cause's part in it: SUMS x 4 x sites."""
    drawn = [taken(part, None if logw is None else logw[k]) for k, part in enumerate((front, back))]
    whole = (drawn[0] + drawn[1]).astype(np.float64)
    parts = np.concatenate([whole[:1], whole[:1] - whole[1:]])
    return np.stack([parts.mean(axis=2), *np.quantile(parts, POINTS, axis=2)], axis=1)


def taken(part: Array, logw: Floats | None) -> Array:
    """Particles taken in proportion to their weight, at regular places."""
    if logw is None:
        return part
    weight = np.exp(logw - logw.max(axis=1, keepdims=True))
    total = np.cumsum(weight / weight.sum(axis=1, keepdims=True), axis=1)
    n = part.shape[2]
    place = (np.arange(n) + 0.5) / n
    picked = np.stack([np.minimum(np.searchsorted(row, place), n - 1) for row in total])
    return np.asarray(np.take_along_axis(part, picked[None], axis=2))
