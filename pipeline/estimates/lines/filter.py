"""A particle filter over every site's lines: sites x particles, stepped by the minute, weighed by what was observed.

A particle is a whole possible day of a site: how many come, how fast each place serves, who waits where, what is
stopped. Gordon, Salmond & Smith (1993) for the bootstrap filter; Liu & West (2001) for the jitter of fixed quantities.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.estimates.lines import chances
from pipeline.estimates.lines.chances import LEVELS, NORMALS, SHIFT, WHOLE, Chances

Array = NDArray[np.float32]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Rows of the state. Fixed quantities first: logs of the times at check-in, at a scanner and in a booth [min] and of the
# odds that who comes to stopped scanners uses the emergency compartment. LOG_RATE is the log of arrivals over those
# expected; FACTOR and DOUBT are mean and variance of the level that it returns to, given the particle's path.
(
    CHECKIN_LOG, SCAN_LOG, MARKING_LOG, COMPARTMENT_ODDS, FACTOR, DOUBT, LOG_RATE, CHECKIN, PHASES, MARKING,
    FINISHING, SCANNING, SHUT, WINDOW, SCANNED, SCAN_PHASES, PASSED,
) = range(17)  # fmt: skip
FIXED = 4  # rows that are jittered when particles are resampled
CHECKIN_ROWS = np.array([CHECKIN_LOG, FACTOR, DOUBT, LOG_RATE, CHECKIN, PHASES, SHUT, WINDOW])  # all up to check-in
HEAD = 17  # rows before the scanners' own: then one `down` and one `ballots since the last report` per scanner
UP, JAM, STOP = 0, 1, 2
LEAST_KEPT = 0.1  # part of the particles that must keep weight after one observation; our choice
SHRINK = 0.1  # Liu & West's h: part of the spread that is redrawn when particles are resampled
LEAST_SPREAD = 0.02  # of a fixed quantity, as far as its jitter goes [log]; our choice
RESAMPLING = 1000  # keeps the chances of resampling apart from those of the minutes

PER_UNIT, TABLE_MOST = 16, 48  # table of Poisson quantiles: rows per unit of mean, the largest mean


def poisson_table() -> NDArray[np.uint8]:
    """Poisson quantiles at the middle of LEVELS equal chances, for means 0, 1/16, ... 48."""
    means = np.arange(TABLE_MOST * PER_UNIT + 2) / PER_UNIT
    chance = (np.arange(LEVELS) + 0.5) / LEVELS
    table = np.zeros((len(means), LEVELS), dtype=np.uint8)  # the largest is 75: small enough to stay in the cache
    for row, mean in enumerate(means):
        term = total = np.exp(-mean)
        cumulative = []
        for n in range(1, 140):
            cumulative.append(total)
            term *= mean / n
            total += term
        table[row] = np.searchsorted(np.array(cumulative), chance)
    return table


TABLE = poisson_table().ravel()


@dataclass(frozen=True)
class Habits:
    """The model's numbers, the same at every site. Times in minutes, rates per minute; all but phases are settings."""

    leaving: float
    burst_sd: float
    burst_minutes: float
    fails: float
    jam_share: float
    jam_minutes: float
    fault_minutes: float
    station_fails: float
    station_minutes: float
    batches: float  # that come at once, by bus or on foot, per site and minute
    batch_people: float
    compartment_odds: float  # that who comes to stopped scanners uses the emergency compartment [log]
    checkin_phases: int = 4  # Erlang phases of check-in: CV .50; Herron & Smith 2016 found .45
    scan_phases: int = 3  # of a voter's time at the scanner, walk included: CV .58; our choice


@dataclass(frozen=True)
class Places:
    """What stands at the sites, as arrays of sites x 1 (or sites x scanners), and the arrivals expected by minute."""

    stations: Array
    booths: Array
    scanners: Ints
    rates: Array  # sites x minutes: expected arrivals a minute
    serving: NDArray[np.bool_]  # sites x minutes: check-in is at work
    scanning: NDArray[np.bool_]  # sites x minutes: scanners may be at work
    seeds: list[int]
    first_minute: int  # minute after local midnight of column 0
    pace: Array  # sites x minutes: speed of check-in, 1 with all poll books at work
    dark_from: Floats  # sites x scanners: dark from this minute on
    dark_until: Floats  # sites x scanners: until then, as far as anybody can say


def up_now(z: Array, places: Places, column: int, k: int) -> tuple[Ints | slice, NDArray[np.bool_]]:
    """The sites that have a scanner of number k, and in which particles it is at work."""
    sites: Ints | slice = slice(None) if k == 0 else np.flatnonzero(places.scanners > k)
    is_on = places.scanning[sites, column] & (places.scanners[sites] > k) & ~is_dark(places, sites, k, column)
    return sites, (z[HEAD + k, sites] == UP) & is_on[:, None]


def is_dark(places: Places, sites: Ints | slice, k: Ints | slice | int, column: int) -> NDArray[np.bool_]:
    """Whether scanner k of each site is without power."""
    minute = places.first_minute + column
    return np.asarray((places.dark_from[sites, k] <= minute) & (minute < places.dark_until[sites, k]))


def sum_up(ups: list[tuple[Ints | slice, NDArray[np.bool_]]], shape: tuple[int, ...]) -> Array:
    """Scanners at work: sites x particles."""
    total = np.zeros(shape, np.float32)
    for sites, up in ups:
        total[sites] += up
    return total


@compiled
def student_log(residual: Floats, scale: float, floor: float) -> Floats:
    """Log of a Student-t(4) density in units of its peak, never below `floor`: an outlier costs only so much."""
    found = np.empty(len(residual))
    for i in range(len(residual)):
        ratio = 1 + (residual[i] / scale) ** 2 / 4
        found[i] = np.log(1 / (ratio * ratio * np.sqrt(ratio) * scale) + floor)
    return found


@compiled
def take_mean(weights: Floats, picked: NDArray[np.bool_]) -> None:
    """The picked particles take the mean weight, as logs, in place."""
    top, total = -np.inf, 0.0
    for i in range(len(weights)):
        top = max(top, weights[i])
    for i in range(len(weights)):
        total += np.exp(weights[i] - top)
    mean = top + np.log(total / len(weights))
    for i in range(len(weights)):
        if picked[i]:
            weights[i] = mean


def resample(z: Array, logw: Floats, sites: Ints, seeds: list[int], minute: int, rows: Ints | None = None) -> None:
    """Stratified resampling of the given sites, in place, with Liu & West's jitter of the fixed quantities.

    Systematic resampling would fall into step with particles that stand in a periodic order. With `rows`, only those
    rows of the state are resampled: a block that is independent of the others given what was seen.
    """
    purpose = RESAMPLING if rows is None else RESAMPLING + 1 + int(rows[0])
    rows = np.arange(len(z)) if rows is None else rows
    drawn = chances.drawn([seeds[s] for s in sites], purpose, minute, 1 + FIXED, z.shape[2])
    take_particles(z, logw, rows, sites, drawn, NORMALS)


@compiled
def take_particles(z: Array, logw: Floats, rows: Ints, sites: Ints, drawn: Chances, normals: Array) -> None:
    """Put in each particle's place the one whose share of the weight covers it; weights become equal. In place.

    Parameters
    ----------
    drawn : of each of the sites: a place within each particle's share, then a chance for each quantity that is jittered
    """
    n = z.shape[2]
    share, picked, old = np.empty(n), np.empty(n, np.int64), np.empty(n, np.float32)
    for k in range(len(sites)):
        s, top, total = sites[k], -np.inf, 0.0
        for i in range(n):
            top = max(top, logw[s, i])
        for i in range(n):
            total += np.exp(logw[s, i] - top)
            share[i] = total
            logw[s, i] = 0.0
        at = 0
        for i in range(n):
            place = (i + (drawn[k, 0, i] + 0.5) / WHOLE) / n * total
            while at < n - 1 and share[at] < place:
                at += 1
            picked[i] = at
        for row in rows:
            for i in range(n):
                old[i] = z[row, s, i]
            for i in range(n):
                z[row, s, i] = old[picked[i]]
            if row < FIXED:
                jitter(z[row, s], drawn[k, 1 + row], normals)


@compiled
def jitter(values: Array, drawn: Chances, normals: Array) -> None:
    """Draw a fixed quantity's particles towards their mean and spread them again, so that mean and spread stay."""
    n, total, squares = len(values), 0.0, 0.0
    for i in range(n):
        total += values[i]
    middle = total / n
    for i in range(n):
        squares += (values[i] - middle) ** 2
    spread, keep = max(np.sqrt(squares / n), LEAST_SPREAD), np.sqrt(1 - SHRINK**2)
    for i in range(n):
        values[i] = middle + keep * (values[i] - middle) + SHRINK * spread * normals[drawn[i] >> SHIFT]


@compiled
def weigh(logw: Floats, sites: Ints, likelihood: Floats) -> None:
    """Weigh the particles of some sites (each once) by logs of likelihood, sites x particles."""
    for k in range(len(sites)):
        temper(logw[sites[k]], likelihood[k])


@compiled
def temper(weights: Floats, likelihood: Floats) -> None:
    """Add logs of likelihood to logs of weights, in place; tempered where that would leave almost none standing.

    The model is never so right that one report should decide alone: the power is halved until enough particles keep
    weight, at most four times.
    """
    n, power = len(weights), 1.0
    for _ in range(4):
        top, total, squares = -np.inf, 0.0, 0.0
        for i in range(n):
            top = max(top, weights[i] + power * likelihood[i])
        for i in range(n):
            weight = np.exp(weights[i] + power * likelihood[i] - top)
            total += weight
            squares += weight * weight
        if total * total >= LEAST_KEPT * n * squares:
            break
        power /= 2
    for i in range(n):
        weights[i] += power * likelihood[i]


@compiled
def is_thin(logw: Floats, sites: Ints) -> NDArray[np.bool_]:
    """Which of the sites have fewer than half their particles' worth of weight left."""
    found, n = np.empty(len(sites), np.bool_), logw.shape[1]
    for k in range(len(sites)):
        weights, top, total, squares = logw[sites[k]], -np.inf, 0.0, 0.0
        for i in range(n):
            top = max(top, weights[i])
        for i in range(n):
            weight = np.exp(weights[i] - top)
            total += weight
            squares += weight * weight
        found[k] = total * total < 0.5 * n * squares
    return found
