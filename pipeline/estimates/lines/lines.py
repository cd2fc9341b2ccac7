"""The lines at check-in and at the scanners now, and what they mean for a voter who joins.

The day is replayed from before opening to T with everything received by T, each row at the time at which it occurred:
a row that came late weighs as if it had come in time, and the order of arrival cannot matter.
"""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts import estimates, events
from pipeline.contracts.known import Known, empty
from pipeline.contracts.moments import spelled
from pipeline.estimates.lines import countyday, orders, told, weighing
from pipeline.estimates.lines.chances import WHOLE, drawn, normals
from pipeline.estimates.lines.checkpoints import rows_of
from pipeline.estimates.lines.filter import (
    CHECKIN,
    CHECKIN_LOG,
    DOUBT,
    FACTOR,
    HEAD,
    JAM,
    SCAN_LOG,
    SCANNING,
    SHUT,
    Array,
    Floats,
    Habits,
    Ints,
    Places,
)
from pipeline.estimates.lines.observations import Observations, Roster, midnight, observe, roster
from pipeline.estimates.lines.replay import LEAD, habits_of, lay_out, particles_of, replay_all, some_places
from pipeline.estimates.lines.runs import inside

LIMIT = 30.0  # the Presidential Commission's half hour [min]
PROMISE_SD = 0.5  # a promised restoration is off by this in the log; our choice
LONGEST = 480.0  # no wait is said to be longer [min]
RESIDUAL, TO_COME = 41, 50  # keep the chances of these apart from the others'
SOFT = 0.01  # a share of particles of nought or one is no certainty: their share is drawn in by this


@dataclass(frozen=True)
class LineStates:
    """Equally likely states of every site at T (rows of filter.py x sites x particles), and what they stand on."""

    at: datetime
    column: int
    state: Array
    places: Places
    habits: Habits
    roster: Roster
    basis: dict[tuple[int, int], str]

    def of(self, sites: Ints) -> "LineStates":
        """Some of the sites only."""
        places = some_places(self.places, sites)
        rows = rows_of(int(places.scanners.max(initial=0)), int(self.places.scanners.max(initial=0)))
        basis = {(k, line): self.basis[int(s), line] for k, s in enumerate(sites) for line in (0, 1)}
        state = self.state[np.ix_(rows, sites)]
        return replace(self, state=state, places=places, roster=self.roster.of(sites), basis=basis)


@dataclass(frozen=True)
class Day:
    """What the replay of a day stands on: the sites, what is seen of them, each site's spread in the log."""

    now: int
    column: int
    facts: Roster
    places: Places
    habits: Habits
    seen: Observations
    spread: Floats
    particles: Ints  # of replay.particles_of


def day_of(known: Known, readings: pl.DataFrame, supply: pl.DataFrame) -> Day:
    """The sites and what was seen of them by T, with the arrivals that the county's day lets expect."""
    now = int((known.at - midnight(known)).total_seconds() // 60)
    facts = roster(known)
    stops = orders.stops_of(known, facts)
    facts = orders.with_notes(facts, stops, now)
    places = lay_out(known, facts, supply, now, stops)
    said = told.head_counts(known, readings, facts), told.calls(known, readings, facts)
    seen = observe(known, facts, *said, orders.moves_of(stops))
    column = min(max(now - places.first_minute, 0), places.rates.shape[1] - 1)
    day = countyday.learn(known, facts, places, seen, now)
    expected = countyday.on_this_day(places, day)
    particles = particles_of(known, places, seen)
    return Day(now, column, facts, expected, habits_of(known.settings), seen, day.sd, particles)


def line_states(known: Known, readings: pl.DataFrame, supply: pl.DataFrame) -> LineStates:
    """The particles of every site at T."""
    return states_of(known, day_of(known, readings, supply))


def states_of(known: Known, day: Day) -> LineStates:
    """The particles of the sites of a day at T."""
    state = replay_all(known, day.places, day.habits, day.seen, day.spread, day.particles, day.column)
    basis = basis_of(day.seen, day.facts, day.now)
    return LineStates(known.at, day.column, state, day.places, day.habits, day.facts, basis)


def basis_of(seen: Observations, facts: Roster, now: int) -> dict[tuple[int, int], str]:
    """What each line's estimate stands on, and how old that is at T."""
    last: dict[tuple[int, int], list[str]] = {}

    def note(frame: pl.DataFrame, word: str, lines: tuple[int, ...]) -> None:
        newest = frame.filter(pl.col("minute") <= now).group_by("site").agg(pl.col("minute").max()).sort("site")
        for site, minute in newest.iter_rows():
            for line in lines:
                last.setdefault((site, line), []).append(f"{word} {spelled(now - minute)} ago")

    for line in (0, 1):
        mine = seen.counts.filter(pl.col("line") == line)
        note(mine.filter(~pl.col("is_call")), "head count", (line,))
        note(mine.filter(pl.col("is_call")), "call", (line,))
    note(seen.windows.filter(pl.col("line") == 0), "poll books", (0,))
    note(seen.scans, "scanner counter", (0, 1))
    found = {}
    for site, notes in enumerate(facts.notes):
        for line in (0, 1):
            parts = last.get((site, line)) or ["no report: roster and the county's day only"]
            found[site, line] = "; ".join([*parts, *notes])
    return found


def lines(states: LineStates) -> pl.DataFrame:
    """The lines at T: one row a site and line that is open, about to open or not yet empty."""
    frame = pl.DataFrame(rows_at(states, states.state, states.column, states.at), schema=line_schema(), orient="row")
    return frame.sort("site_id", "line")


def line_schema(model: type = estimates.Lines) -> dict:
    """Column types of an estimate's model."""
    return dict(empty(model).schema)


def is_shown(states: LineStates, z: Array, column: int) -> np.ndarray:
    """Sites that have rows: from an hour before opening until the last voter."""
    minute = states.places.first_minute + column
    facts = states.roster
    is_day = (minute >= facts.opens - LEAD) & (minute < facts.closes)
    empty_share = (inside(z) < 0.5).mean(axis=1)
    late = (minute >= facts.closes) & (facts.closes > facts.opens) & (empty_share < 0.9)
    return np.asarray(is_day | (late & (minute < facts.last_voter)))


def rows_at(
    states: LineStates, z: Array, column: int, at: datetime, wanted: NDArray[np.bool_] | None = None
) -> list[tuple]:
    """Rows of `Lines` from a set of particles, for the sites wanted (all, if none are named)."""
    if z.shape[1] == 0:
        return []
    shown = is_shown(states, z, column) if wanted is None else is_shown(states, z, column) & wanted
    which, rows = np.flatnonzero(shown), []
    for line, name in enumerate(("checkin", "scanner")):
        people = weighing.waiting(z, states.places, line, column)
        wait = wait_minutes(states.places, states.habits, z, line, column, people)[which]
        chances = SOFT * 0.1 + (1 - SOFT * 1.1) * (wait > LIMIT).mean(axis=1)  # never quite nought or one
        told = zip(which, spread(people[which]), spread(wait), chances.tolist(), strict=True)
        for s, waiting, minutes, chance in told:
            rows.append((states.roster.site_ids[s], name, at, *waiting, *minutes, chance, states.basis[int(s), line]))
    return rows


def spread(values: Array) -> list[list[float]]:
    """Mean, median, 5 % and 95 % of each site's particles."""
    low, median, high = np.quantile(values, (0.05, 0.5, 0.95), axis=1)
    found: list[list[float]] = np.stack([values.mean(axis=1, dtype=np.float64), median, low, high], axis=1).tolist()
    return found


def wait_minutes(places: Places, habits: Habits, z: Array, line: int, column: int, people: Array) -> Array:
    """Minutes until service for a voter who joins now, by particle."""
    if line == 0:
        stations = np.maximum(places.stations - z[SHUT], 0)
        each = np.exp(z[CHECKIN_LOG]) / np.maximum(stations * places.pace[:, column, None], 0.5)
        until = until_serving(places, column)[:, None]
        free = (people == 0) & (z[CHECKIN] < stations)
        stopped = (stations <= 0) * np.float32(habits.station_minutes)
        return np.asarray(until + stopped + np.where(free, 0, (people + 1) * each))
    up = weighing.scanners_up(z, places, column)
    each = np.exp(z[SCAN_LOG]) / np.maximum(up, 1)
    free = (people == 0) & (z[SCANNING] < np.maximum(up, 1))
    wait = np.where(free, 0, (people + 1) * each)
    return np.asarray(wait + residual_stop(places, habits, z, up, column))


def until_serving(places: Places, column: int) -> Floats:
    """Minutes until check-in starts (0 where it is at work)."""
    ahead = places.serving[:, column:]
    return np.asarray(np.where(ahead.any(axis=1), ahead.argmax(axis=1), LIMIT * 2), np.float32)


def residual_stop(places: Places, habits: Habits, z: Array, up: Array, column: int) -> Array:
    """Minutes until a stopped scanner is back, where none is up: exponential, by its cause; darkness as promised."""
    most = int(places.scanners.max(initial=0))
    stuck = (up == 0) & (places.scanners > 0)[:, None]
    if most == 0 or not stuck.any():
        return np.zeros_like(up)
    is_jam = (z[HEAD : HEAD + most] == JAM).any(axis=0)
    minute = places.first_minute + column
    dark = (places.dark_from <= minute) & (minute < places.dark_until)
    lit_after = np.where(dark, places.dark_until - minute, np.inf).min(axis=1, initial=np.inf)[:, None]
    mean = np.where(is_jam, habits.jam_minutes, habits.fault_minutes)
    chance = drawn(places.seeds, RESIDUAL, minute, 2, z.shape[2])
    rest = -np.log((chance[:, 0] + 0.5) / WHOLE)  # exponential
    spread_out = np.exp(PROMISE_SD * normals(chance[:, 1]))
    mean_stop = np.where(np.isfinite(lit_after), np.minimum(lit_after, LONGEST) * spread_out, mean * rest)
    back = until_serving(places, column)[:, None]
    return np.asarray(np.where(back > 0, np.minimum(back, LONGEST), stuck * mean_stop), np.float32)


def site_loads(states: LineStates) -> pl.DataFrame:
    """Each site's lines and arrivals still to come: SiteLoads."""
    z, places, facts = states.state, states.places, states.roster
    schema = line_schema(events.SiteLoads)
    if z.shape[1] == 0:
        return pl.DataFrame(schema=schema)
    minute = places.first_minute + states.column
    ahead = places.rates[:, states.column + 1 :].astype(np.float64)
    own = normals(drawn(places.seeds, TO_COME, minute, 1, z.shape[2])[:, 0])
    level = z[FACTOR] + np.sqrt(np.maximum(z[DOUBT], 0)) * own
    factor = np.exp(level + states.habits.burst_sd**2 / 2).astype(np.float64)
    to_come = ahead.sum(axis=1)[:, None] * factor
    hour = np.maximum(ahead[:, :60].sum(axis=1) / 60, 0)[:, None] * factor
    people = [weighing.waiting(z, places, line, states.column) for line in (0, 1)]
    shown = is_shown(states, z, states.column)
    rows = []
    for s, site_id in enumerate(facts.site_ids):
        low, high = np.quantile(to_come[s], (0.05, 0.95))
        doubt = 1.645 * np.sqrt(high)
        is_open = bool(shown[s] and minute >= facts.opens[s])
        rows.append(
            (site_id, is_open, *(float(p[s].mean()) if shown[s] else 0.0 for p in people), float(hour[s].mean()),
             max(low - doubt, 0.0), float(to_come[s].mean()), float(high + doubt),
             float(max(facts.closes[s] - minute, 0)) if facts.closes[s] > facts.opens[s] else 0.0)
        )  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")
