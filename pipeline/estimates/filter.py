"""A particle filter over every site's lines: sites x particles, stepped by the minute, weighed by what was observed.

A particle is a whole possible day of a site: how many come, how fast each place serves, who waits where, what is
stopped. Gordon, Salmond & Smith (1993) for the bootstrap filter; Liu & West (2001) for the jitter of fixed quantities.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Array = NDArray[np.float32]
Floats = NDArray[np.float64]

# Rows of the state. Fixed quantities first: logs of the day factor and of the two service times.
FACTOR, CHECKIN_LOG, SCAN_LOG, BURST, CHECKIN, PHASES, MARKING, SCANNING, SHUT, WINDOW = range(10)
FIXED = (FACTOR, CHECKIN_LOG, SCAN_LOG)
HEAD = 10  # rows before the scanners' own: then one `down` and one `ballots since the last report` per scanner
UP, JAM, STOP, DARK = 0, 1, 2, 3
SHRINK = 0.1  # Liu & West's h: part of the spread that is redrawn when particles are resampled

LEVELS, PER_UNIT, TABLE_MOST = 1024, 16, 48  # table of Poisson quantiles: levels of chance, rows per unit of mean


def poisson_table() -> NDArray[np.int16]:
    """Poisson quantiles at the middle of LEVELS equal chances, for means 0, 1/16, ... 48."""
    means = np.arange(TABLE_MOST * PER_UNIT + 2) / PER_UNIT
    chance = (np.arange(LEVELS) + 0.5) / LEVELS
    table = np.zeros((len(means), LEVELS), dtype=np.int16)
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


def counts(mean: Array, uniform: Array) -> Array:
    """Poisson numbers of the given means, from one uniform each: same uniform, larger mean, no fewer.

    The top ten bits of the uniform choose the level, the rest rounds the mean to the table at random, so that the mean
    is kept. Above TABLE_MOST the normal limit stands in.
    """
    scaled = uniform * LEVELS
    level = np.minimum(scaled.astype(np.int32), LEVELS - 1)
    rest = scaled - level
    row = np.minimum(mean, TABLE_MOST) * PER_UNIT + rest
    drawn = TABLE[row.astype(np.int32) * LEVELS + level].astype(np.float32)
    large = mean > TABLE_MOST
    if large.any():
        drawn = np.where(large, np.maximum(np.floor(mean + np.sqrt(mean) * NORMALS[level] + rest), 0), drawn)
    return np.asarray(drawn, dtype=np.float32)


@dataclass(frozen=True)
class Habits:
    """The model's numbers, the same at every site. Times in minutes, rates per minute."""

    checkin_phases: int = 3  # Erlang phases of check-in: CV .58; Herron & Smith 2016 found .45, sites vary
    marking_minutes: float = 5.5
    leaving: float = 0.005
    burst_sd: float = 0.32
    burst_minutes: float = 28.0
    fails: float = 0.0033
    jam_share: float = 0.75
    jam_minutes: float = 5.0
    fault_minutes: float = 38.0
    station_fails: float = 0.0003
    station_minutes: float = 70.0
    emergency: float = 0.01  # people at stopped scanners who use the emergency compartment [1/min]; our choice


@dataclass(frozen=True)
class Places:
    """What stands at the sites, as arrays of sites x 1 (or sites x scanners), and the arrivals expected by minute."""

    stations: Array
    booths: Array
    scanners: NDArray[np.int64]
    rates: Array  # sites x minutes: expected arrivals a minute
    serving: NDArray[np.bool_]  # sites x minutes: check-in is at work
    scanning: NDArray[np.bool_]  # sites x minutes: scanners may be at work
    seeds: list[int]
    first_minute: int  # minute after local midnight of column 0
    dark_from: Floats = field(default_factory=lambda: np.zeros((0, 0)))  # sites x scanners: dark from this minute on


class Draws:
    """Uniforms and normals by site, in blocks: they depend on the site's seed and the minute of the day only."""

    BLOCK = 30  # minutes drawn at a time [min]
    UNIFORMS = 6

    def __init__(self, seeds: list[int], particles: int, scanners: NDArray[np.int64], stream: int) -> None:
        self.seeds, self.particles, self.scanners, self.stream = seeds, particles, scanners, stream
        self.block = -(10**9)

    def at(self, minute: int) -> tuple[Array, Array, Array]:
        """Uniforms (UNIFORMS x sites x particles), uniforms per scanner (K x ...) and normals (sites x particles)."""
        if minute // self.BLOCK != self.block:
            self.block = minute // self.BLOCK
            self._fill()
        k = minute - self.block * self.BLOCK
        return self.uniforms[k], self.scanner_uniforms[k], self.normals[k]

    def _fill(self) -> None:
        most = int(self.scanners.max(initial=0))
        sites, n = len(self.seeds), self.particles
        self.uniforms = np.empty((self.BLOCK, self.UNIFORMS, sites, n), np.float32)
        self.scanner_uniforms = np.ones((self.BLOCK, most, sites, n), np.float32)
        self.normals = np.empty((self.BLOCK, sites, n), np.float32)
        for s, seed in enumerate(self.seeds):
            rng = np.random.Generator(np.random.PCG64([seed, self.stream, self.block % 2**32]))
            self.uniforms[:, :, s] = rng.random((self.BLOCK, self.UNIFORMS, n), dtype=np.float32)
            self.normals[:, s] = rng.standard_normal((self.BLOCK, n), dtype=np.float32)
            k = int(self.scanners[s])
            self.scanner_uniforms[:, :k, s] = rng.random((self.BLOCK, k, n), dtype=np.float32)


def event_rng(seed: int, minute: int, purpose: int) -> np.random.Generator:
    """Randomness for one event of one site."""
    return np.random.Generator(np.random.PCG64([seed, 77, minute % 2**32, purpose]))


def step(
    z: Array, places: Places, habits: Habits, column: int, draws: tuple[Array, Array, Array], dt: float = 1.0
) -> None:
    """Move every particle on by `dt` minutes, in place.

    Arrivals join check-in; those served go on to the booths, then to the scanners. People wait, or leave at a small
    hazard. A scanner fails while it works, and comes back after a jam or a fault. Stopped for good ends with its cause.
    """
    u, su, normal = draws
    keep = np.float32(np.exp(-dt / habits.burst_minutes))
    z[BURST] = keep * z[BURST] + np.float32(habits.burst_sd * np.sqrt(1 - keep**2)) * normal
    served = checkin_step(z, places, habits, column, u, dt)
    marked = np.minimum(z[MARKING], places.booths) * np.float32(1 - np.exp(-dt / habits.marking_minutes))
    marked = np.minimum(z[MARKING], counts(marked, u[3]))
    z[MARKING] += served - marked
    scanner_step(z, places, habits, column, marked, u, su, dt)


def checkin_step(z: Array, places: Places, habits: Habits, column: int, u: Array, dt: float) -> Array:
    """The check-in line; gives how many were served."""
    rate = places.rates[:, column, None] * np.exp(z[FACTOR] + z[BURST]) * np.float32(dt)
    arrived = counts(rate, u[0])
    is_serving = places.serving[:, column, None]
    stations = np.maximum(places.stations - z[SHUT], 0) * is_serving
    here = z[CHECKIN] + arrived
    busy = np.minimum(stations, z[CHECKIN] + arrived * np.float32(0.5))
    phases = counts(busy * np.exp(-z[CHECKIN_LOG]) * np.float32(habits.checkin_phases * dt), u[1]) + z[PHASES]
    done = np.floor(phases / habits.checkin_phases)
    served = np.minimum(here, done)
    z[PHASES] = np.where(done > here, 0, phases - done * habits.checkin_phases)
    waiting = np.maximum(here - served - stations, 0)
    left = np.minimum(waiting, counts(waiting * np.float32(habits.leaving * dt), u[2]))
    z[CHECKIN] = here - served - left
    z[WINDOW] += served
    change_stations(z, places, habits, u[5], dt)
    return served


def change_stations(z: Array, places: Places, habits: Habits, u: Array, dt: float) -> None:
    """Stations are lost and come back, one at a time."""
    lost = (places.stations - z[SHUT]) * np.float32(habits.station_fails * dt)
    back = z[SHUT] * np.float32(dt / habits.station_minutes)
    z[SHUT] += (u < lost).astype(np.float32) - (u > 1 - back).astype(np.float32)


def scanner_step(
    z: Array, places: Places, habits: Habits, column: int, marked: Array, u: Array, su: Array, dt: float
) -> None:
    """The scanner line and the scanners' own states."""
    most = int(places.scanners.max(initial=0))
    here = z[SCANNING] + marked
    if most == 0:
        z[SCANNING] = 0
        return
    down, since = z[HEAD : HEAD + most], z[HEAD + most : HEAD + 2 * most]
    exists = (np.arange(most)[:, None] < places.scanners[None, :])[:, :, None]
    is_on = places.scanning[:, column]
    minute = places.first_minute + column
    dark = (minute >= places.dark_from.T)[:, :, None]
    up = (down == UP) & exists & ~dark & is_on[None, :, None]
    total_up = up.sum(axis=0, dtype=np.float32)
    per_minute = np.exp(-z[SCAN_LOG]) * np.float32(dt)
    scanned = np.minimum(here, counts(np.minimum(total_up, here) * per_minute, u[4]))
    each = scanned / np.maximum(total_up, 1)
    since += each * up
    stuck = (total_up == 0) & (places.scanners > 0)[:, None]
    gone = np.minimum(here, counts(here * stuck * np.float32(habits.emergency * dt), 1 - u[5]))
    z[SCANNING] = np.where((places.scanners > 0)[:, None], here - scanned - gone, 0)
    work = np.minimum(each / np.maximum(per_minute, 1e-6), 1) * np.float32(habits.fails * dt)
    fails = up & (su < work)
    back = np.where(down == JAM, dt / habits.jam_minutes, dt / habits.fault_minutes).astype(np.float32)
    repaired = (down != UP) & (su < back)
    down[:] = np.where(
        fails, np.where(su < work * np.float32(habits.jam_share), JAM, STOP), np.where(repaired, UP, down)
    )


def student_log(residual: Floats, scale: float, floor: float) -> Floats:
    """Log of a Student-t(4) density in units of its peak, never below `floor`: an outlier costs only so much."""
    density = (1 + (residual / scale) ** 2 / 4) ** -2.5
    return np.asarray(np.log(density / scale + floor))


def resample(z: Array, logw: Floats, sites: NDArray[np.int64], seeds: list[int], minute: int) -> None:
    """Systematic resampling of the given sites, in place, with Liu & West's jitter of the fixed quantities."""
    n = z.shape[2]
    weight = np.exp(logw[sites] - logw[sites].max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    cumulative = np.cumsum(weight, axis=1)
    cumulative[:, -1] = 1.0
    rngs = [event_rng(seeds[s], minute, 1) for s in sites]
    start = np.array([rng.random() for rng in rngs])
    place = (start[:, None] + np.arange(n)[None, :]) / n
    row = np.arange(len(sites))[:, None]
    picked = np.searchsorted((cumulative + 2 * row).ravel(), (place + 2 * row).ravel()) - (row * n).repeat(n, 1).ravel()
    picked = np.minimum(picked, n - 1).reshape(len(sites), n)
    chosen = np.take_along_axis(z[:, sites], picked[None], axis=2)
    fixed = chosen[: len(FIXED)]
    normals = np.stack([rng.standard_normal((len(FIXED), n), dtype=np.float32) for rng in rngs], axis=1)
    middle, spread = fixed.mean(axis=2, keepdims=True), fixed.std(axis=2, keepdims=True)
    keep = np.float32(np.sqrt(1 - SHRINK**2))
    chosen[: len(FIXED)] = middle + keep * (fixed - middle) + np.float32(SHRINK) * np.maximum(spread, 0.02) * normals
    z[:, sites] = chosen
    logw[sites] = 0.0


def is_thin(logw: Floats, sites: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which of the sites have fewer than half their particles' worth of weight left."""
    weight = np.exp(logw[sites] - logw[sites].max(axis=1, keepdims=True))
    return np.asarray(weight.sum(axis=1) ** 2 < 0.5 * logw.shape[1] * (weight**2).sum(axis=1))
