"""How an observation weighs the particles: counters, poll books, head counts and calls.

An exact match would leave one particle standing, so every kernel is wide and heavy-tailed. Where an observation says
something that few particles believed, a part of them is moved there first; it keeps the mean weight of its site.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimates.lines import scans
from pipeline.estimates.lines.chances import EVENTS, TURN, WHOLE, Chances, Draw, event_rng
from pipeline.estimates.lines.filter import (
    CHECKIN,
    FINISHING,
    HEAD,
    JAM,
    MARKING,
    PASSED,
    SCANNED,
    SCANNING,
    SHUT,
    STOP,
    UP,
    WINDOW,
    Array,
    Floats,
    Ints,
    Places,
    is_dark,
    student_log,
    sum_up,
    take_mean,
    up_now,
    weigh,
)

REDRAWN = 0.15  # part of the particles redrawn near a head count; our choice, measured in docs/methods/lines.md
CALLED = 0.3  # part moved to what a call about a stopped unit says; our choice
COUNT_SD, COUNT_SHARE = 0.3, 0.11  # spread of a head count: people, and share of the line
CALL_SD, CALL_SHARE = 1.0, 0.18  # spread of a number given in a call
BUSY_BOOK = 4.0  # voters per open station in a window from which none stands idle by chance [count]; our choice
IDLE_COST = 2.0  # log-likelihood lost per station that is idle though open; our choice
VAGUE_LINE = 12.0  # a call about a long line without a number: half as likely below this [people]; our choice
CALL_RATIO = np.log(np.array([1.0, 4.0, 12.0]))  # a call about a stopped scanner, by its state; our choice


@dataclass
class Weighing:
    """What the rows of one minute work on: state and log weights are changed in place."""

    z: Array
    logw: Floats  # lines x sites x particles: for the state up to check-in, and beyond
    places: Places
    column: int
    draw: Draw  # of this minute, for what is moved
    split: NDArray[np.bool_]  # sites whose check-ins are seen: either part of their state is weighed on its own

    @property
    def chance(self) -> Chances:
        """For what is moved: sites x particles."""
        return self.draw.of(EVENTS)

    @property
    def minute(self) -> int:
        """Minute after local midnight."""
        return self.places.first_minute + self.column

    def pick(self, sites: Ints, share: float, turn: int) -> NDArray[np.bool_]:
        """Particles to be moved, at random; another `turn` picks others."""
        turned = (self.chance[sites] + np.uint16(turn * TURN % WHOLE)).astype(np.uint16)
        return np.asarray(turned < share * WHOLE)

    def weigh(self, line: int, sites: Ints, log_likelihood: Floats) -> None:
        """Weigh by what was seen of one line."""
        weigh(self.logw[line], sites, log_likelihood)
        self.share(line, sites)

    def share(self, line: int, sites: Ints) -> None:
        """Where the state is one, its weights are."""
        one = sites[~self.split[sites]]
        self.logw[1 - line, one] = self.logw[line, one]

    def level(self, line: int, sites: Ints, picked: NDArray[np.bool_]) -> None:
        """The picked particles take their site's mean weight."""
        for site, some in zip(sites, picked, strict=True):
            take_mean(self.logw[line, site], some)
        self.share(line, sites)


def weigh_scans(w: Weighing, rows: Floats) -> None:
    """Scanners' reports, one a site: site, slot, ballots since the last one (NaN: not known), minutes since, state."""
    dark = is_dark(w.places, rows[0].astype(np.int64), rows[1].astype(np.int64), w.column)
    most, split = int(w.places.scanners.max()), np.ascontiguousarray(w.split)
    rows = np.ascontiguousarray(rows)
    scans.weigh_reports(w.z, w.logw, most, w.chance, rows, w.places.scanners, dark, split, scans.REPORTED)


def weigh_windows(
    w: Weighing, site: Ints, line: int, total: Floats, noise: Floats, carried: Floats, idle: Ints
) -> None:
    """Voters let through at check-in (line 0), or at several scanners (1), over a window; one row a site."""
    scale = np.sqrt(noise)
    row = WINDOW if line == 0 else SCANNED
    if line == 0:
        end_lines(w, site, total, scale)
    misfit = w.z[row, site].astype(np.float64) - total[:, None]
    kernels = [student_log(*one, scans.FLOOR) for one in zip(misfit, scale, strict=True)]
    w.weigh(line, site, np.stack(kernels))
    # What interpolation took from this window it gives to the next: the misfit is carried over, but for what is lost.
    w.z[row, site] = carried[:, None] * misfit
    if line == 0:
        open_stations(w, site, total, idle)
        pass_on(w, site, total)


def pass_on(w: Weighing, site: Ints, total: Floats) -> None:
    """Where the state beyond check-in stands apart, as many people went on to the booths as the poll books show."""
    z = w.z
    extra = np.round(z[PASSED, site] - total[:, None])
    for row in (MARKING, FINISHING):
        taken = np.where(w.split[site, None], np.minimum(extra, z[row, site]), 0)
        z[row, site] -= taken
        extra -= taken
        z[PASSED, site] -= taken
    z[PASSED, site] = np.where(w.split[site, None], z[PASSED, site] - total[:, None], 0)


def open_stations(w: Weighing, site: Ints, total: Floats, idle: Ints) -> None:
    """Each station has its poll book: one that checked somebody in is not shut; one that was idle while the rest were
    busy enough for all to be used, is.
    """
    used = np.flatnonzero(idle >= 0)
    if len(used):
        too_many = np.clip(w.z[SHUT, site[used]].astype(np.float64) - idle[used, None], 0, 2)
        w.weigh(0, site[used], -IDLE_COST * too_many)
    shut = np.flatnonzero((idle > 0) & (total >= BUSY_BOOK * (w.places.stations[site, 0] - idle)))
    if len(shut):
        more = np.clip(idle[shut, None] - w.z[SHUT, site[shut]].astype(np.float64), 0, 2)
        w.weigh(0, site[shut], -IDLE_COST * more)


def end_lines(w: Weighing, site: Ints, total: Floats, scale: Floats) -> None:
    """Far fewer than a standing line would give: it may have ended. Some such particles are moved to say so."""
    picked = w.pick(site, scans.MOVED, 3) & (w.z[WINDOW, site] - total[:, None] > 2 * scale[:, None])
    if not picked.any():
        return
    w.level(0, site, picked)
    served = np.minimum(w.z[CHECKIN, site], np.maximum(w.places.stations[site] - w.z[SHUT, site], 0))
    w.z[CHECKIN, site] = np.where(picked, served, w.z[CHECKIN, site])
    w.z[WINDOW, site] = np.where(picked, total[:, None], w.z[WINDOW, site])


def waiting(z: Array, places: Places, line: int, column: int) -> Array:
    """People waiting in a line, those in service left out: sites x particles."""
    if line == 0:
        stations = np.maximum(places.stations - z[SHUT], 0) * places.serving[:, column, None]
        return np.asarray(np.maximum(z[CHECKIN] - stations, 0))
    return np.asarray(np.maximum(z[SCANNING] - scanners_up(z, places, column), 0))


def scanners_up(z: Array, places: Places, column: int) -> Array:
    """Scanners at work: sites x particles."""
    most = int(places.scanners.max(initial=0))
    return sum_up([up_now(z, places, column, k) for k in range(most)], z.shape[1:])


def weigh_count(w: Weighing, site: int, line: int, count: float, is_call: bool) -> None:
    """People counted in a line, or named in a call (NaN: a long line, no number)."""
    z, places, one_site = w.z, w.places, np.array([site])
    one = waiting(z, places, line, w.column)[site]
    if np.isnan(count):
        ratio = 0.25 + 0.75 / (1 + np.exp((VAGUE_LINE - one.astype(np.float64)) / 3))
        w.weigh(line, one_site, np.log(ratio)[None, :])
        return
    scale = (CALL_SD + CALL_SHARE * count) if is_call else (COUNT_SD + COUNT_SHARE * count)
    rng = event_rng(places.seeds[site], w.minute, 20 + 2 * line + int(is_call))
    picked = np.asarray(rng.random(z.shape[2]) < REDRAWN)
    w.level(line, one_site, picked[None, :])
    drawn = np.maximum(np.round(count + scale * rng.standard_normal(z.shape[2])), 0).astype(np.float32)
    row = CHECKIN if line == 0 else SCANNING
    served = z[row, site] - one  # those in service stay there
    if line == 0:
        served = np.where(drawn > 0, np.maximum(places.stations[site, 0] - z[SHUT, site], 0), served)
    z[row, site] = np.where(picked, drawn + np.maximum(served, 0), z[row, site])
    misfit = waiting(z, places, line, w.column)[site].astype(np.float64) - count
    w.weigh(line, one_site, student_log(misfit, scale, scans.FLOOR)[None, :])


def weigh_call(w: Weighing, site: int, slot: int, is_book: bool, is_jam: bool, is_end: bool) -> None:
    """A call about a stopped scanner or poll book, or its end."""
    z, places, one_site = w.z, w.places, np.array([site])
    number = int(places.scanners[site])
    if not is_book and (number == 0 or (slot < 0 and number > 1)):
        return
    picked = w.pick(one_site, CALLED, 4 + slot)
    w.level(0 if is_book else 1, one_site, picked)
    if is_book:
        changed = np.clip(z[SHUT, site] + (-1 if is_end else 1), 0, float(places.stations[site, 0]))
        z[SHUT, site] = np.where(picked[0], changed, z[SHUT, site])
        return
    row = HEAD + max(slot, 0)
    z[row, site] = np.where(picked[0], UP if is_end else (JAM if is_jam else STOP), z[row, site])
    ratio = CALL_RATIO[np.minimum(z[row, site].astype(np.int64), STOP)]
    w.weigh(1, one_site, (-ratio if is_end else ratio)[None, :])


def move(w: Weighing, site: int, is_end: bool) -> None:
    """Voting moves to another place: nothing is set up, and any part of the line comes along. At the end all is."""
    z, places = w.z, w.places
    z[SHUT, site] = 0 if is_end else places.stations[site, 0]
    z[HEAD : HEAD + int(places.scanners[site]), site] = UP if is_end else STOP
    if not is_end:
        rng = event_rng(places.seeds[site], w.minute, 60)
        z[CHECKIN, site] = np.round(z[CHECKIN, site] * rng.random(z.shape[2]))
