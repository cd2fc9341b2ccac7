"""A particle filter over every site's lines: sites x particles, stepped by the minute, weighed by what was observed.

A particle is a whole possible day of a site: how many come, how fast each place serves, who waits where, what is
stopped. Gordon, Salmond & Smith (1993) for the bootstrap filter; Liu & West (2001) for the jitter of fixed quantities.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from pipeline.compiled import compiled

Array = NDArray[np.float32]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Chances = NDArray[np.uint16]

# Rows of the state. Fixed quantities first: logs of the times at check-in, at a scanner and in a booth [min] and of the
# odds that who comes to stopped scanners uses the emergency compartment. LOG_RATE is the log of arrivals over those
# expected; FACTOR and DOUBT are mean and variance of the level that it returns to, given the particle's path.
(
    CHECKIN_LOG, SCAN_LOG, MARKING_LOG, COMPARTMENT_ODDS, FACTOR, DOUBT, LOG_RATE, CHECKIN, PHASES, MARKING,
    FINISHING, SCANNING, SHUT, WINDOW, SCANNED, SCAN_PHASES, PASSED,
) = range(17)  # fmt: skip
FIXED = 4  # rows that are jittered when particles are resampled
CHECKIN_ROWS = np.array([CHECKIN_LOG, FACTOR, DOUBT, LOG_RATE, CHECKIN, PHASES, SHUT, WINDOW])  # all up to check-in
# A particle's chances of one minute, before those of each scanner: for who comes; is served at check-in; leaves (and
# how large a group is); is half through a booth; is read; which station changes (and who turns to the emergency
# compartment); who is through a booth; the arrival rate's burst; whether a group comes (and what observations move)
(COMES, CHECKS, LEAVES, HALFWAY, READS, CHANGES, MARKS, BURSTS, EVENTS) = range(9)
HEAD = 17  # rows before the scanners' own: then one `down` and one `ballots since the last report` per scanner
UP, JAM, STOP = 0, 1, 2
LEAST_KEPT = 0.1  # part of the particles that must keep weight after one observation; our choice
SHRINK = 0.1  # Liu & West's h: part of the spread that is redrawn when particles are resampled

LEVELS, PER_UNIT, TABLE_MOST = 1024, 16, 48  # table of Poisson quantiles: levels of chance, rows per unit of mean
TURN = 9973  # added to a chance where one serves twice: a prime, so that it falls elsewhere
WHOLE = 65536  # chances are drawn as 16-bit whole numbers: u stands for u / 65536


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
NORMALS = ndtri((np.arange(LEVELS) + 0.5) / LEVELS).astype(np.float32)


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


@dataclass(frozen=True)
class Draw:
    """The chances of one minute, out of a block of minutes: sites x minutes x (COMMON + scanners) x particles."""

    block: Chances
    minute: int

    def of(self, row: int) -> Chances:
        """One chance a particle: sites x particles."""
        return self.block[:, self.minute, row]

    def repeated(self, times: int) -> "Draw":
        """The same chances for so many copies of the sites."""
        return Draw(np.tile(self.block[:, self.minute : self.minute + 1], (times, 1, 1, 1)), 0)


class Draws:
    """Chances by site, in blocks: they depend on the site's seed and the minute of the day only."""

    BLOCK = 30  # minutes drawn at a time [min]
    COMMON = EVENTS + 1

    def __init__(self, seeds: list[int], particles: int, scanners: Ints, stream: int) -> None:
        self.seeds, self.particles, self.scanners, self.stream = seeds, particles, scanners, stream
        self.number = -(10**9)
        rows = self.COMMON + int(scanners.max(initial=0))
        self.block = np.zeros((len(seeds), self.BLOCK, rows, particles), np.uint16)

    def at(self, minute: int) -> Draw:
        """The chances of one minute; they hold until the next block is drawn."""
        if minute // self.BLOCK != self.number:
            self.number = minute // self.BLOCK
            self._fill()
        return Draw(self.block, minute % self.BLOCK)

    def _fill(self) -> None:
        for s, seed in enumerate(self.seeds):
            bits = np.random.PCG64([seed, self.stream, self.number % 2**32])
            rows = self.COMMON + int(self.scanners[s])
            chances = raw_chances(bits, self.BLOCK * rows * self.particles)
            self.block[s, :, :rows] = chances.reshape(self.BLOCK, rows, self.particles)


def raw_chances(bits: np.random.PCG64, number: int) -> Chances:
    """As many 16-bit chances, four from each word of the generator, the lowest bits first."""
    words = bits.random_raw(-(-number // 4)).astype("<u8", copy=False)
    return np.asarray(words.view("<u2")[:number], np.uint16)


def event_rng(seed: int, minute: int, purpose: int) -> np.random.Generator:
    """Randomness for one event of one site."""
    return np.random.Generator(np.random.PCG64([seed, 77, minute % 2**32, purpose]))


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
    n = z.shape[2]
    purpose = 1 if rows is None else 100 + int(rows[0])
    rows = np.arange(len(z)) if rows is None else rows
    weight = np.exp(logw[sites] - logw[sites].max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    cumulative = np.cumsum(weight, axis=1)
    cumulative[:, -1] = 1.0
    rngs = [event_rng(seeds[s], minute, purpose) for s in sites]
    place = (np.stack([rng.random(n) for rng in rngs]) + np.arange(n)) / n
    take_particles(z, rows, sites, cumulative, place)
    jittered = rows[rows < FIXED]
    if len(jittered):
        fixed = z[np.ix_(jittered, sites)]
        normals = np.stack([rng.standard_normal((len(jittered), n), dtype=np.float32) for rng in rngs], axis=1)
        middle, spread = fixed.mean(axis=2, keepdims=True), fixed.std(axis=2, keepdims=True)
        keep = np.float32(np.sqrt(1 - SHRINK**2))
        z[np.ix_(jittered, sites)] = (
            middle + keep * (fixed - middle) + np.float32(SHRINK) * np.maximum(spread, 0.02) * normals
        )
    logw[sites] = 0.0


@compiled
def take_particles(z: Array, rows: Ints, sites: Ints, cumulative: Floats, place: Floats) -> None:
    """Put in each particle's place the one whose share of the weight covers `place`, in place: both rise in a row."""
    n = z.shape[2]
    picked, old = np.empty(n, np.int64), np.empty(n, np.float32)
    for k in range(len(sites)):
        at = 0
        for i in range(n):
            while at < n - 1 and cumulative[k, at] < place[k, i]:
                at += 1
            picked[i] = at
        for row in rows:
            for i in range(n):
                old[i] = z[row, sites[k], i]
            for i in range(n):
                z[row, sites[k], i] = old[picked[i]]


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


def is_thin(logw: Floats, sites: Ints) -> NDArray[np.bool_]:
    """Which of the sites have fewer than half their particles' worth of weight left."""
    weight = np.exp(logw[sites] - logw[sites].max(axis=1, keepdims=True))
    return np.asarray(weight.sum(axis=1) ** 2 < 0.5 * logw.shape[1] * (weight**2).sum(axis=1))
