"""One minute of every particle: who comes, who is served, who moves on, what fails and comes back.

The loops are compiled, each over the particles of one site and into one array, so that they stay in the processor's
cache and are vectorised. Arithmetic is in single precision, term by term: a site's numbers do not depend on its
neighbours.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled
from pipeline.estimates.lines.chances import (
    BURSTS,
    CHANGES,
    CHECKS,
    COMES,
    COMMON,
    EVENTS,
    HALFWAY,
    LEAVES,
    LEVELS,
    MARKS,
    NORMALS,
    READS,
    WHOLE,
    Chances,
    Draw,
)
from pipeline.estimates.lines.chances import SHIFT as SHIFT_BITS
from pipeline.estimates.lines.filter import (
    CHECKIN,
    CHECKIN_LOG,
    COMPARTMENT_ODDS,
    DOUBT,
    FACTOR,
    FINISHING,
    HEAD,
    JAM,
    LOG_RATE,
    MARKING,
    MARKING_LOG,
    PASSED,
    PER_UNIT,
    PHASES,
    SCAN_LOG,
    SCAN_PHASES,
    SCANNED,
    SCANNING,
    SHUT,
    STOP,
    TABLE,
    TABLE_MOST,
    UP,
    WINDOW,
    Array,
    Habits,
    Ints,
    Places,
    is_dark,
)

F, U = np.float32, np.uint32
NONE, HALF, ONE = F(0), F(0.5), F(1)
MOST, ROW, ROOM, ROW_LENGTH = F(TABLE_MOST), F(PER_UNIT * 64), F(WHOLE), U(LEVELS)
Quantiles = tuple[NDArray[np.uint8], Array]
LOW, SHIFT = U(2**SHIFT_BITS - 1), U(SHIFT_BITS)  # the low bits of a chance, which round; the others choose the level

# Rows of what a step needs. The model's numbers over the step:
(
    PULL, PULL_SQUARED, NOISE, MINUTES, GROUP, GROUPS, LEAVING, CHECKIN_PHASES, CHECKIN_SPEED, LOST, BACK,
    SCANNER_PHASES, FAILS, JAMS, AFTER_JAM, AFTER_FAULT,
) = range(16)  # fmt: skip
# of each site in this minute:
(STATIONS, BOOTHS, SCANNERS, RATE, PACE, SERVING) = range(6)
# of each particle: arrivals over those expected, voters that a station serves [1/min], part of a booth's phase that
# ends in the step, voters that a scanner serves in the step, share that uses the emergency compartment:
(COMING, CHECKING, ENDING, READING, TURNING) = range(5)


class Speeds:
    """How fast each particle is served: 5 x sites x particles. The fixed ones are kept until said to have changed."""

    def __init__(self, z: Array, dt: float = 1.0) -> None:
        self.dt, self.kept = F(dt), np.empty((5, *z.shape[1:]), F)
        self.changed(z, slice(None))

    def changed(self, z: Array, sites: Ints | slice) -> None:
        """Fixed quantities of these sites are no longer what they were."""
        self.kept[CHECKING, sites] = np.exp(-z[CHECKIN_LOG, sites])
        self.kept[ENDING, sites] = 1 - np.exp(-2 * self.dt * np.exp(-z[MARKING_LOG, sites]))
        self.kept[READING, sites] = np.exp(-z[SCAN_LOG, sites]) * self.dt
        self.kept[TURNING, sites] = 1 / (1 + np.exp(-z[COMPARTMENT_ODDS, sites]))

    def now(self, z: Array) -> Array:
        """As they are now; the rate at which voters come changes every minute."""
        np.exp(z[LOG_RATE], out=self.kept[COMING])
        return self.kept


def step(
    z: Array, places: Places, habits: Habits, column: int, draw: Draw, dt: float = 1.0, speeds: Speeds | None = None
) -> None:
    """Move every particle on by `dt` minutes, in place; `speeds`, if they are kept from one step to the next.

    Arrivals join check-in; those served go on to the booths, then to the scanners. People wait, or leave at a small
    hazard. A scanner fails while it works, and comes back after a jam or a fault. Stopped for good ends with its cause.
    """
    number, fact, is_on = numbers(habits, dt), facts(places, column), at_work(places, column)
    drift(z, draw.rows, number, NORMALS)
    speed = (speeds or Speeds(z, dt)).now(z)
    move_on(z, draw.rows, fact, is_on, speed, number, (TABLE, NORMALS))


def numbers(habits: Habits, dt: float) -> Array:
    """The model's numbers over `dt` minutes; chances in 65536ths, whole where they are compared with one as it is."""
    keep = float(np.exp(-dt / habits.burst_minutes))
    found = np.empty(16, F)
    found[PULL], found[PULL_SQUARED] = 1 - keep, (1 - keep) ** 2
    found[NOISE] = habits.burst_sd**2 * (1 - keep**2)
    found[MINUTES], found[LEAVING] = dt, habits.leaving * dt
    found[GROUP], found[GROUPS] = habits.batch_people, np.ceil(habits.batches * dt * WHOLE)
    found[CHECKIN_PHASES], found[CHECKIN_SPEED] = habits.checkin_phases, habits.checkin_phases * dt
    found[LOST], found[BACK] = habits.station_fails * dt, dt / habits.station_minutes
    found[SCANNER_PHASES], found[FAILS], found[JAMS] = habits.scan_phases, habits.fails * dt * WHOLE, habits.jam_share
    found[AFTER_JAM] = np.ceil(dt / habits.jam_minutes * WHOLE)
    found[AFTER_FAULT] = np.ceil(dt / habits.fault_minutes * WHOLE)
    return found


def facts(places: Places, column: int) -> Array:
    """What stands at each site in this minute: 6 x sites."""
    found = np.empty((6, len(places.seeds)), F)
    found[STATIONS], found[BOOTHS], found[SCANNERS] = places.stations[:, 0], places.booths[:, 0], places.scanners
    for row, by_minute in ((RATE, places.rates), (PACE, places.pace), (SERVING, places.serving)):
        found[row] = by_minute[:, column]
    return found


def at_work(places: Places, column: int) -> NDArray[np.bool_]:
    """Which scanners may be at work in this minute: sites x scanners."""
    number = np.arange(int(places.scanners.max(initial=0)))
    is_there = places.scanning[:, column, None] & (number < places.scanners[:, None])
    return is_there & ~is_dark(places, slice(None), slice(len(number)), column)


@compiled
def drift(z: Array, u: Chances, number: Array, normals: Array) -> None:
    """The arrival rate's burst moves on; what the path says about the site's own level is kept as mean and variance.

    The log rate returns to a level f that is not known: x' = (1 - k) f + k x + e. Given the path, f is normal, so it is
    integrated out by the Kalman recursion, and no particle's f can lock in.
    """
    pull, n = number[PULL], z.shape[2]
    spread, change, gain = np.empty(n, F), np.empty(n, F), np.empty(n, F)
    for s in range(z.shape[1]):
        log_rate, level, doubt = z[LOG_RATE, s], z[FACTOR, s], z[DOUBT, s]
        for i in range(n):
            spread[i] = number[PULL_SQUARED] * doubt[i] + number[NOISE]
        for i in range(n):
            change[i] = np.sqrt(spread[i]) * normals[u[s, BURSTS, i] >> SHIFT]
        for i in range(n):
            gain[i] = pull * doubt[i] / max(spread[i], F(1e-9))
        for i in range(n):
            log_rate[i] += pull * (level[i] - log_rate[i]) + change[i]
        for i in range(n):
            level[i] += gain[i] * change[i]
        for i in range(n):
            doubt[i] *= ONE - gain[i] * pull


@compiled
def draw(mean: Array, chance: Chances, quantiles: Quantiles) -> Array:
    """Poisson numbers of the given means, from one chance each: same chance, larger mean, no fewer (but for rounding).

    The top ten bits of the chance choose the level, the rest rounds the mean to the table at random, so that the mean
    is kept. Above TABLE_MOST the normal limit stands in.
    """
    table, normals = quantiles
    drawn, place, most = np.zeros(len(mean), F), np.empty(len(mean), U), NONE
    for i in range(len(mean)):
        most = max(most, mean[i])
    if most == NONE:
        return drawn
    for i in range(len(mean)):
        row = (U(np.int32(min(mean[i], MOST) * ROW + HALF)) + U(chance[i] & LOW)) >> SHIFT
        place[i] = row * ROW_LENGTH + U(chance[i] >> SHIFT)
    for i in range(len(mean)):
        drawn[i] = table[place[i]]
    if most > MOST:
        for i in range(len(mean)):
            if mean[i] > MOST:
                rest = (F(chance[i] & LOW) + HALF) / F(64)
                drawn[i] = max(np.floor(mean[i] + np.sqrt(mean[i]) * normals[chance[i] >> SHIFT] + rest), NONE)
    return drawn


@compiled
def move_on(
    z: Array, u: Chances, fact: Array, is_on: NDArray[np.bool_], speed: Array, number: Array,
    quantiles: Quantiles,
) -> None:  # fmt: skip
    """Move the people and the scanners of every site on, in place.

    Parameters
    ----------
    z : rows x sites x particles
    u : the minute's chances, sites x (COMMON + scanners) x particles
    fact, is_on, speed, number : as `facts`, `at_work`, `Speeds` and `numbers` give them
    quantiles : of Poisson numbers, and of the normal distribution
    """
    for s in range(z.shape[1]):
        served = check_in(z, s, u[s], fact, speed, number, quantiles)
        change_stations(z[SHUT, s], fact[STATIONS, s], u[s, CHANGES], number)
        marked = mark(z, s, u[s], served, fact[BOOTHS, s], speed, quantiles)
        if fact[SCANNERS, s] == NONE:
            for i in range(z.shape[2]):
                z[SCANNING, s, i] = NONE
            continue
        each = scan(z, s, u[s], marked, is_on[s], speed, number, quantiles)
        for k in range(is_on.shape[1]):
            change_scanner(z, s, k, u[s, COMMON + k], is_on[s], each, speed[READING, s], number)


@compiled
def check_in(z: Array, s: int, u: Chances, fact: Array, speed: Array, number: Array, quantiles: Quantiles) -> Array:
    """The check-in line of site s; gives how many were served."""
    line, shut, n = z[CHECKIN, s], z[SHUT, s], z.shape[2]
    mean, stations, waiting = np.empty(n, F), np.empty(n, F), np.empty(n, F)
    for i in range(n):
        mean[i] = fact[RATE, s] * speed[COMING, s, i] * number[MINUTES]
    arrived = draw(mean, u[COMES], quantiles)
    for i in range(n):
        size = np.rint(number[GROUP] * (HALF + F(u[LEAVES, i] & 1023) / F(1024)))
        arrived[i] += size if (F(u[EVENTS, i]) < number[GROUPS]) & (mean[i] > NONE) else NONE
    for i in range(n):
        stations[i] = max(fact[STATIONS, s] - shut[i], NONE) * fact[SERVING, s]
    for i in range(n):
        busy = min(stations[i], line[i] + arrived[i] * HALF)
        mean[i] = busy * fact[PACE, s] * speed[CHECKING, s, i] * number[CHECKIN_SPEED]
    add(line, arrived)
    served = finish(line, z[PHASES, s], draw(mean, u[CHECKS], quantiles), number[CHECKIN_PHASES])
    for i in range(n):
        waiting[i] = max(line[i] - stations[i], NONE)
    for i in range(n):
        mean[i] = waiting[i] * number[LEAVING]
    leave(line, waiting, draw(mean, u[LEAVES], quantiles))
    add(z[WINDOW, s], served)
    add(z[PASSED, s], served)
    return served


@compiled
def mark(z: Array, s: int, u: Chances, served: Array, booths: float, speed: Array, quantiles: Quantiles) -> Array:
    """Booths, in two phases (CV .71); those who find no free booth wait for one, in neither line. Gives who is done."""
    begun, ending, n = z[MARKING, s], z[FINISHING, s], z.shape[2]
    part, first, last = np.empty(n, F), np.empty(n, F), np.empty(n, F)
    for i in range(n):
        part[i] = min(ONE, booths / max(begun[i] + ending[i], ONE)) * speed[ENDING, s, i]
    for i in range(n):
        first[i] = begun[i] * part[i]
    for i in range(n):
        last[i] = ending[i] * part[i]
    halfway, marked = draw(first, u[HALFWAY], quantiles), draw(last, u[MARKS], quantiles)
    for i in range(n):
        halfway[i] = min(begun[i], halfway[i])
    for i in range(n):
        marked[i] = min(ending[i], marked[i])
    for i in range(n):
        begun[i] += served[i] - halfway[i]
    for i in range(n):
        ending[i] += halfway[i] - marked[i]
    return marked


@compiled
def scan(
    z: Array, s: int, u: Chances, marked: Array, is_on: NDArray[np.bool_], speed: Array, number: Array,
    quantiles: Quantiles,
) -> Array:  # fmt: skip
    """The scanner line of site s; gives how many each scanner at work read."""
    line, n = z[SCANNING, s], z.shape[2]
    up, mean = np.zeros(n, F), np.empty(n, F)
    for k in range(len(is_on)):
        if is_on[k]:
            for i in range(n):
                up[i] += ONE if z[HEAD + k, s, i] == UP else NONE
    for i in range(n):
        chance = (F(u[CHANGES, i]) + HALF) / ROOM
        turned = np.floor(marked[i] * speed[TURNING, s, i] + chance) if up[i] == NONE else NONE
        line[i] += marked[i] - turned
    for i in range(n):
        mean[i] = min(up[i], line[i]) * speed[READING, s, i] * number[SCANNER_PHASES]
    scanned = finish(line, z[SCAN_PHASES, s], draw(mean, u[READS], quantiles), number[SCANNER_PHASES])
    add(z[SCANNED, s], scanned)
    for i in range(n):
        scanned[i] /= max(up[i], ONE)
    return scanned


@compiled
def finish(line: Array, phases: Array, more: Array, number: float) -> Array:
    """Take out of a line who ends a service of so many phases; gives how many. A phase begun is kept for the next."""
    served = np.empty(len(line), F)
    add(more, phases)
    for i in range(len(line)):
        served[i] = min(line[i], np.floor(more[i] / number))
    for i in range(len(line)):
        done = np.floor(more[i] / number)
        phases[i] = NONE if done > line[i] else more[i] - done * number
    for i in range(len(line)):
        line[i] -= served[i]
    return served


@compiled
def leave(line: Array, free: Array, drawn: Array) -> None:
    """Take out of a line as many as were drawn, of those who may leave."""
    for i in range(len(line)):
        drawn[i] = min(free[i], drawn[i])
    for i in range(len(line)):
        line[i] -= drawn[i]


@compiled
def add(total: Array, more: Array) -> None:
    """Add to each particle's total, in place."""
    for i in range(len(total)):
        total[i] += more[i]


@compiled
def change_stations(shut: Array, stations: float, chance: Chances, number: Array) -> None:
    """Stations are lost and come back, one at a time."""
    for i in range(len(shut)):
        drawn, lost, back = F(chance[i]), (stations - shut[i]) * number[LOST], shut[i] * number[BACK]
        gone, come = ONE if drawn < lost * ROOM else NONE, ONE if drawn > (ONE - back) * ROOM else NONE
        shut[i] += gone - come


@compiled
def change_scanner(
    z: Array, s: int, k: int, chance: Chances, is_on: NDArray[np.bool_], each: Array, reading: Array, number: Array
) -> None:
    """Count what scanner k of site s read; let it fail while it works, and come back."""
    down, read = z[HEAD + k, s], z[HEAD + len(is_on) + k, s]
    if is_on[k]:
        for i in range(len(down)):
            read[i] += each[i] if down[i] == UP else NONE
    works = ONE if is_on[k] else NONE
    for i in range(len(down)):
        drawn, is_up = F(chance[i]), down[i] == UP
        work = works * min(each[i] / reading[i], ONE) * number[FAILS]
        failed = F(JAM) if drawn < work * number[JAMS] else F(STOP)
        failed = failed if drawn < work else F(UP)
        mended = F(UP) if drawn < (number[AFTER_JAM] if down[i] == JAM else number[AFTER_FAULT]) else down[i]
        down[i] = failed if is_up else mended
