"""How an observation weighs the particles: counters, poll books, head counts and calls.

An exact match would leave one particle standing, so every kernel is wide and heavy-tailed. Where an observation says
something that few particles believed, a part of them is moved there first; it keeps the mean weight of its site.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.estimates import observations as seen
from pipeline.estimates.filter import (
    CHECKIN,
    HEAD,
    JAM,
    SCANNING,
    SHUT,
    STOP,
    UP,
    WINDOW,
    Array,
    Floats,
    Places,
    event_rng,
    student_log,
)

REDRAWN = 0.15  # part of the particles redrawn near a head count; our choice, measured in docs/methods/lines.md
MOVED = 0.10  # part moved to what a counter shows; likewise
FLOOR = 1e-4  # of the kernels: larger makes every long line an outlier; likewise
COUNT_SD, COUNT_SHARE = 0.3, 0.11  # spread of a head count: people, and share of the line
CALL_SD, CALL_SHARE = 1.0, 0.18  # spread of a number given in a call
SCAN_SD = 2.5  # kernel of a counter's step [ballots]; wider with the age of the report before it
WINDOW_SD = 1.5  # kernel of a window of check-ins [voters]
VAGUE_LINE = 12.0  # a call about a long line without a number: half as likely below this [people]; our choice
# Chance that a scanner in a state (up, jam, stopped) reports fault, paused, well, closed; our choice
REPORTED = np.log(
    np.array([[0.004, 0.02, 0.97, 0.006], [0.7, 0.1, 0.195, 0.005], [0.9, 0.06, 0.03, 0.01]], dtype=np.float64)
)
CALL_RATIO = np.log(np.array([1.0, 4.0, 12.0]))  # a call about a stopped scanner, by its state; our choice


def move(z: Array, logw: Floats, site: int, share: float, rng: np.random.Generator) -> NDArray[np.int64]:
    """The particles of a site to be moved, picked at random; they take the site's mean weight."""
    n = z.shape[2]
    picked = np.flatnonzero(rng.random(n) < share)
    top = logw[site].max()
    logw[site, picked] = top + np.log(np.mean(np.exp(logw[site] - top)))
    return picked


def weigh_scan(z: Array, logw: Floats, places: Places, minute: int, row: tuple) -> None:
    """A scanner's report: its ballots since the last one, and the state that it gives."""
    site, slot, delta, span, state = row
    most = int(places.scanners.max())
    down, since = z[HEAD + slot, site], z[HEAD + most + slot, site]
    rng = event_rng(places.seeds[site], minute, 10 + slot)
    is_dark = places.dark_from[site, slot] <= minute
    if delta is not None and not is_dark:
        scale = np.sqrt(SCAN_SD**2 + (0.06 * delta) ** 2 + 0.02 * max(span - 12.0, 0.0))
        picked = move(z, logw, site, MOVED, rng)
        gap = since[picked] - np.float32(delta)
        z[SCANNING, site, picked] = np.maximum(z[SCANNING, site, picked] + np.round(gap), 0)
        # A counter that stood still where ballots were due is a stop; one that moved shows a scanner at work.
        down[picked] = np.where(gap > 4, STOP, np.where(gap < -4, UP, down[picked]))
        since[picked] = delta
        logw[site] += student_log(since.astype(np.float64) - delta, float(scale), FLOOR)
    since[:] = 0
    if state < seen.UNSAID and state != seen.CLOSED and not is_dark:
        code = {seen.FAULT: STOP, seen.PAUSED: STOP, seen.WELL: UP}[state]
        picked = move(z, logw, site, MOVED, rng)
        if code == STOP:
            down[picked] = np.where(rng.random(len(picked)) < 0.4, JAM, STOP)
        else:
            down[picked] = UP
        logw[site] += REPORTED[np.minimum(down.astype(np.int64), STOP), state]


def weigh_window(z: Array, logw: Floats, row: tuple) -> None:
    """Voters checked in over a window, from the poll books that were heard."""
    site, total, share = row
    unseen = total * (1 - share) / max(share, 0.05)
    scale = np.sqrt(WINDOW_SD**2 + 0.6 * unseen + (0.04 * total) ** 2 + (0.15 * total * (1 - share)) ** 2)
    logw[site] += student_log(z[WINDOW, site].astype(np.float64) - total, float(scale), FLOOR)


def waiting(z: Array, places: Places, line: int, column: int) -> Array:
    """People waiting in a line, those in service left out: sites x particles."""
    if line == 0:
        stations = np.maximum(places.stations - z[SHUT], 0) * places.serving[:, column, None]
        return np.asarray(np.maximum(z[CHECKIN] - stations, 0))
    return np.asarray(np.maximum(z[SCANNING] - scanners_up(z, places, column), 0))


def scanners_up(z: Array, places: Places, column: int) -> Array:
    """Scanners at work: sites x particles."""
    most = int(places.scanners.max(initial=0))
    exists = (np.arange(most)[:, None] < places.scanners[None, :])[:, :, None]
    dark = (places.first_minute + column >= places.dark_from.T)[:, :, None]
    up = (z[HEAD : HEAD + most] == UP) & exists & ~dark & places.scanning[:, column][None, :, None]
    return np.asarray(up.sum(axis=0, dtype=np.float32))


def weigh_count(z: Array, logw: Floats, places: Places, column: int, row: tuple) -> None:
    """People counted in a line, or named in a call."""
    site, line, count, is_call = row
    one = waiting(z, places, line, column)[site]
    if count is None:
        logw[site] += np.log(0.25 + 0.75 / (1 + np.exp((VAGUE_LINE - one.astype(np.float64)) / 3)))
        return
    scale = (CALL_SD + CALL_SHARE * count) if is_call else (COUNT_SD + COUNT_SHARE * count)
    rng = event_rng(places.seeds[site], places.first_minute + column, 20 + 2 * line + int(is_call))
    picked = move(z, logw, site, REDRAWN, rng)
    drawn = np.maximum(np.round(count + scale * rng.standard_normal(len(picked))), 0).astype(np.float32)
    row_of = CHECKIN if line == 0 else SCANNING
    served = z[row_of, site, picked] - one[picked]  # those in service stay there
    if line == 0:
        served = np.where(drawn > 0, np.maximum(places.stations[site] - z[SHUT, site, picked], 0), served)
    z[row_of, site, picked] = drawn + np.maximum(served, 0)
    one = waiting(z, places, line, column)[site]
    logw[site] += student_log(one.astype(np.float64) - count, float(scale), FLOOR)


def weigh_call(z: Array, logw: Floats, places: Places, minute: int, row: tuple) -> None:
    """A call about a stopped scanner or poll book, or its end."""
    site, slot, is_book, is_jam, is_end = row
    rng = event_rng(places.seeds[site], minute, 30 + slot)
    if is_book:
        picked = move(z, logw, site, 0.3, rng)
        most = float(places.stations[site, 0])
        change = -1 if is_end else 1
        z[SHUT, site, picked] = np.clip(z[SHUT, site, picked] + change, 0, most)
        return
    number = int(places.scanners[site])
    if number == 0 or (slot < 0 and number > 1):
        return
    down = z[HEAD + max(slot, 0), site]
    picked = move(z, logw, site, 0.3, rng)
    down[picked] = UP if is_end else (JAM if is_jam else STOP)
    ratio = CALL_RATIO[np.minimum(down.astype(np.int64), STOP)]
    logw[site] += -ratio if is_end else ratio


__all__ = ["scanners_up", "waiting", "weigh_call", "weigh_count", "weigh_scan", "weigh_window"]
