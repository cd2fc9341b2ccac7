"""Particles run on side by side on the same chances, and what people wait in them: for what-if and for planning.

Common random numbers (Law, Simulation Modeling and Analysis, section 11.2, from memory): variants of one site stand as
rows with the same seed, so they meet the same arrivals, service and stops, and their difference is that of the change.
"""

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.estimates.lines import weighing
from pipeline.estimates.lines.chances import Draws
from pipeline.estimates.lines.filter import (
    CHECKIN,
    FINISHING,
    HEAD,
    LOG_RATE,
    MARKING,
    SCANNING,
    Array,
    Floats,
    Habits,
    Places,
)
from pipeline.estimates.lines.stepping import Speeds, step

LINES = ("checkin", "booth", "scanner")
STREAM = 5  # keeps these chances apart from those of the filter and the outlook


def waiting_by_line(z: Array, places: Places, column: int) -> Floats:
    """People waiting for check-in, for a booth and for a scanner: 3 x sites x particles."""
    at_booths = np.maximum(z[MARKING] + z[FINISHING] - places.booths, 0)
    return np.stack([weighing.waiting(z, places, 0, column), at_booths, weighing.waiting(z, places, 1, column)])


def inside(z: Array) -> Array:
    """People anywhere between joining the first line and leaving: sites x particles."""
    return np.asarray(z[CHECKIN] + z[MARKING] + z[FINISHING] + z[SCANNING])


def repeated(places: Places, rows: list[int], **changes: Any) -> Places:
    """Variants of sites, one a row of `rows`; `changes` replace whole fields."""
    own = {
        name: getattr(places, name)[rows]
        for name in (
            "stations",
            "booths",
            "scanners",
            "rates",
            "serving",
            "scanning",
            "pace",
            "dark_from",
            "dark_until",
        )
    }
    return dataclasses.replace(places, **(own | {"seeds": [places.seeds[r] for r in rows]} | changes))


def with_scanners(z: Array, places: Places, more: int) -> tuple[Array, Places]:
    """Room for further scanners at every site: without power for good, until somebody says otherwise."""
    if more == 0:
        return z, places
    most = int(places.scanners.max(initial=0))
    wide = np.zeros((HEAD + 2 * (most + more), *z.shape[1:]), np.float32)
    wide[: HEAD + most] = z[: HEAD + most]
    wide[HEAD + most + more : HEAD + 2 * most + more] = z[HEAD + most : HEAD + 2 * most]
    start = np.full((len(places.seeds), most + more), np.inf)
    end = np.full_like(start, np.inf)
    start[:, :most], end[:, :most] = places.dark_from[:, :most], places.dark_until[:, :most]
    for s, own in enumerate(places.scanners):
        start[s, own : own + more] = -np.inf
    grown = dataclasses.replace(places, scanners=places.scanners + more, dark_from=start, dark_until=end)
    return wide, grown


@dataclass(frozen=True)
class Run:
    """What people waited: voter-minutes by line (3 x sites x particles), and how many were to be served."""

    voter_minutes: Floats
    voters: Floats


def run_on(z: Array, before: Places, after: Places, habits: Habits, start: int, change: int) -> Run:
    """Step to the last voter, in place: by `before` up to column `change`, by `after` from there on.

    Waits count from `change` on. Voters: those inside then, and the arrivals that each particle's rate lets expect.
    """
    draws, speeds = Draws(before.seeds, z.shape[2], before.scanners, STREAM), Speeds(z)
    waited = np.zeros((len(LINES), *z.shape[1:]))
    voters = np.zeros(z.shape[1:])
    last = before.rates.shape[1]
    to_come = np.cumsum(before.rates[:, ::-1].sum(axis=0))[::-1]
    for column in range(start + 1, last):
        places = before if column < change else after
        if column == max(change, start + 1):
            voters += inside(z)
        step(z, places, habits, column, draws.at(places.first_minute + column), speeds=speeds)
        if column >= change:
            waited += waiting_by_line(z, places, column)
            voters += places.rates[:, column, None] * np.exp(z[LOG_RATE])
            if to_come[column] < 1e-6 and not (inside(z) > 0).any():
                break
    return Run(waited, voters)
