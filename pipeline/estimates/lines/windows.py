"""Running totals of several units as voters let through in windows of ten minutes, and how sure that is.

A running total is interpolated between its reports. What that takes from one window it gives to the next: the misfit
of a window belongs to the one after, but for what no unit counts.
"""

import itertools
import math
import statistics

import numpy as np
import polars as pl

from pipeline.compiled import compiled
from pipeline.estimates.lines.filter import Floats, Ints

UNEVEN_BOOKS, UNEVEN_SCANNERS = 0.15, 0.35  # how unevenly units share the voters: part of the unseen; our choice
ELSEWHERE = 0.02  # part of the voters served that no unit counts, or that it counts twice; our choice
UNSEEN_NOISE = 0.6  # variance for each voter whom an unseen unit served [count]; our choice
WINDOW_MINUTES = 10  # units' counts are compared over windows of this length [min]
SHORTEST = 3  # the newest window is no shorter [min]; our choice
GAP_MINUTES = 32.0  # a running total is interpolated across no longer silence [min]; our choice
MOST_CHECKINS_PER_MINUTE = 6.0  # more at one unit is a jump of its counter [1/min]; our choice
MOST_BETWEEN = 200.0  # voters between two reports, as far as their variance goes [count]; our choice
IDLE = 0.5  # a unit with fewer in a window did nothing [count]
TEST_BALLOTS = 300  # a first report above this may carry over from another day or a test [count]; our choice

SCHEMA = {
    "minute": pl.Int64, "site": pl.Int64, "line": pl.Int64, "span": pl.Float64, "total": pl.Float64,
    "share": pl.Float64, "noise": pl.Float64, "carried": pl.Float64, "idle": pl.Int64,
}  # fmt: skip


def windows(status: pl.DataFrame, stations: Ints, books: Ints, scanners: Ints, opens: Ints) -> pl.DataFrame:
    """Voters let through in each window: at check-in by the poll books, at the scanners where there are several.

    A unit that is silent or jumps in a window counts as unseen there. Columns: minute (end of the window), site, line,
    span [min], total (scaled up to all units), share (of the units seen), noise (variance of the misfit), carried (part
    of it that belongs into the next window), idle (units seen that did nothing, -1 where not all were seen, or a
    station has no poll book of its own).

    Parameters
    ----------
    status : kind (`book` or `scanner`), site, slot, minute, total: sorted by these
    stations, books, scanners, opens : of each site: how many of each, and the minute at which it opens
    """
    rows = status.filter(pl.col("total").is_not_null())
    is_book, site, slot = (rows["kind"] == "book").to_numpy(), rows["site"].to_numpy(), rows["slot"].to_numpy()
    minute, total = rows["minute"].to_numpy(), rows["total"].to_numpy()
    units = np.where(is_book, np.maximum(stations, books)[site], scanners[site])
    one_each = ~is_book | (books == stations)[site]
    opening = opens[site].astype(np.float64)
    ends, unit_ends, found = run_ends(is_book, site), run_ends(is_book, site, slot), []
    own_ends = np.split(unit_ends, np.searchsorted(unit_ends, ends[:-1], side="right"))
    for (k, end), mine in zip(itertools.pairwise([0, *ends]), own_ends, strict=False):
        if is_book[k] or units[k] > 1:
            uneven = UNEVEN_BOOKS if is_book[k] else UNEVEN_SCANNERS
            grid = window_grid(opening[k], minute[mine - 1])
            own = site_windows(minute[k:end], total[k:end], mine - k, grid, units[k], opening[k], uneven, one_each[k])
            of = np.full((2, own.shape[1]), [[site[k]], [not is_book[k]]])
            found.append(np.vstack([own[:1], of, own[1:]]))
    columns = np.hstack(found) if found else np.empty((len(SCHEMA), 0))
    frame = pl.DataFrame(dict(zip(SCHEMA, columns, strict=True)))
    return frame.cast(SCHEMA).sort("minute", "site", "line")  # type: ignore[arg-type]


def run_ends(*columns: Floats) -> Ints:
    """Where runs of rows end in which all columns stay the same."""
    if not len(columns[0]):
        return np.empty(0, np.int64)
    changed = np.any([column[1:] != column[:-1] for column in columns], axis=0)
    return np.append(np.flatnonzero(changed) + 1, len(columns[0]))


def window_grid(opens: float, last: Floats) -> Floats:
    """Edges of the windows from opening on; the newest is where half of the units have been heard."""
    start, newest = opens - opens % WINDOW_MINUTES, math.floor(statistics.median(last))
    grid = np.arange(start, max(newest, start) + 1, WINDOW_MINUTES, dtype=np.float64)
    return np.append(grid, newest) if newest >= grid[-1] + SHORTEST else grid


@compiled
def site_windows(
    minute: Floats, total: Floats, ends: Ints, grid: Floats, units: int, opens: float, uneven: float, one_each: bool
) -> Floats:
    """A site's windows for one line: end, span, total, share, noise, carried, idle (7 x windows).

    Parameters
    ----------
    minute, total : the reports of all its units, unit after unit
    ends : where each unit's reports end
    grid : edges of the windows
    units : how many there are, also silent ones; `one_each`: each station has a unit of its own
    """
    count = len(grid) - 1
    steps, edges = np.empty(count), np.zeros(count + 1)
    share, voters, idle = np.zeros(count), np.zeros(count), np.zeros(count)
    first = 0
    for end in ends:
        window_steps(minute[first:end], total[first:end], grid, opens, steps)
        edge_noise(minute[first:end], total[first:end], grid, edges)
        for k in range(count):
            if steps[k] >= 0:
                share[k] += 1
                voters[k] += steps[k]
                idle[k] += 1 if steps[k] < IDLE else 0
        first = end
    for k in range(count):
        share[k] /= units
        voters[k] /= max(share[k], 1e-9)
    noise, carried = misfits(voters, share, edges, uneven)
    found = np.empty((7, count))
    kept = 0
    for k in range(count):
        if share[k] > 0:
            found[0, kept], found[1, kept], found[2, kept] = grid[k + 1], grid[k + 1] - grid[k], voters[k]
            found[3, kept], found[4, kept], found[5, kept] = share[k], noise[k], carried[k]
            found[6, kept] = idle[k] if share[k] == 1 and one_each else -1
            kept += 1
    return found[:, :kept]


@compiled
def window_steps(minute: Floats, total: Floats, grid: Floats, opens: float, steps: Floats) -> None:
    """Fill in one unit's voters in each window of the grid; -1 where it was silent, was reset or jumped."""
    if minute[0] > opens and total[0] <= TEST_BALLOTS:
        minute, total = after_nought(minute, opens), after_nought(total, 0.0)
    count, after, before, gap_before = len(minute), 0, 0.0, np.inf
    for k in range(len(grid)):
        while after < count and minute[after] < grid[k]:
            after += 1
        inside, gap = 0.0, np.inf
        if after < count and minute[after] == grid[k]:
            last = after
            while last + 1 < count and minute[last + 1] == grid[k]:
                last += 1
            inside, gap = total[last], minute[after] - minute[max(after - 1, 0)]
        elif 0 < after < count:
            start, gap = minute[after - 1], minute[after] - minute[after - 1]
            inside = (total[after] - total[after - 1]) / gap * (grid[k] - start) + total[after - 1]
        if k > 0:
            step, is_heard = inside - before, max(gap, gap_before) <= GAP_MINUTES
            is_possible = 0 <= step <= 5 + MOST_CHECKINS_PER_MINUTE * WINDOW_MINUTES
            steps[k - 1] = step if is_heard and is_possible else -1.0
        before, gap_before = inside, gap


@compiled
def after_nought(values: Floats, first: float) -> Floats:
    """The values with one before them."""
    found = np.empty(len(values) + 1)
    found[0] = first
    for i in range(len(values)):
        found[i + 1] = values[i]
    return found


@compiled
def edge_noise(minute: Floats, total: Floats, grid: Floats, noise: Floats) -> None:
    """Add the variance of one unit's interpolated total at each edge: of n voters between two reports, a binomial part
    had come.
    """
    last, after = len(minute) - 1, 1
    if last < 1:
        return
    for k in range(len(grid)):
        while after < last and minute[after] < grid[k]:
            after += 1
        start, number = minute[after - 1], min(max(total[after] - total[after - 1], 0.0), MOST_BETWEEN)
        part = min(max((grid[k] - start) / max(minute[after] - start, 1e-9), 0.0), 1.0)
        noise[k] += number * part * (1 - part)


@compiled
def misfits(total: Floats, share: Floats, edges: Floats, uneven: float) -> tuple[Floats, Floats]:
    """Variance of each window's misfit, and the part of it to carry over.

    Running totals do not drift: what interpolation took from one window it gives to the next. Only what no unit
    counts, or units unseen counted, is lost for good. That is a local level in noise; its Kalman gain is the part lost.
    """
    noise, carried = np.empty(len(total)), np.zeros(len(total))
    level, is_known = 0.0, False
    for k in range(len(total)):
        if share[k] <= 0:
            noise[k], is_known = 1.0, False
            continue
        scaled = 1 / max(share[k], 0.05)
        unseen = total[k] * (1 - share[k])
        lost = ELSEWHERE * total[k] + UNSEEN_NOISE * unseen * scaled + (uneven * unseen) ** 2
        level = (level if is_known else edges[k] * scaled) + lost
        is_known = True
        noise[k] = 1 + level + edges[k + 1] * scaled
        carried[k] = 1 - level / noise[k]
        level *= carried[k]
    return noise, carried
