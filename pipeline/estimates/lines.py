"""The lines at check-in and at the scanners: now, ahead, and what they mean for a voter who joins.

The day is replayed from before opening to T with everything received by T, each row at the time at which it occurred:
a row that came late weighs as if it had come in time, and the order of arrival cannot matter.
"""

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.contracts import estimates, events
from pipeline.contracts.known import Known, empty
from pipeline.estimates import observations, weighing
from pipeline.estimates.arrivals import arrival_rates, day_factors
from pipeline.estimates.filter import (
    BURST,
    CHECKIN,
    CHECKIN_LOG,
    FACTOR,
    HEAD,
    JAM,
    MARKING,
    SCAN_LOG,
    SCANNING,
    SHUT,
    WINDOW,
    Array,
    Draws,
    Floats,
    Habits,
    Places,
    event_rng,
    is_thin,
    resample,
    step,
)
from pipeline.estimates.observations import Observations, Roster, midnight, observe, roster

LEAD = 60  # rows begin this long before opening [min]
TAIL = 360  # the outlook looks no further than this after closing [min]
HORIZONS = (30, 60, 120)
LIMIT = 30.0  # the Presidential Commission's half hour [min]
THROUGH_MINUTES = 8  # from arriving to the counter, when nobody waits [min]; for the day factor only
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


def line_states(known: Known, readings: pl.DataFrame, supply: pl.DataFrame) -> LineStates:
    """The particles of every site at T."""
    facts = roster(known)
    now = int((known.at - midnight(known)).total_seconds() // 60)
    places = lay_out(known, facts, supply, now)
    habits = habits_of(known)
    seen = observe(known, readings, facts)
    state = start_particles(known, facts, places, seen, now)
    column = min(max(now - places.first_minute, -1), places.rates.shape[1] - 1)
    replay(state, places, habits, seen, column)
    return LineStates(known.at, max(column, 0), state, places, habits, facts, basis_of(seen, facts, now))


def seed_of(known: Known, site_id: str) -> int:
    """A seed from county, election day and site only."""
    text = f"{known.county.name}|{known.county.election_day.isoformat()}|{site_id}"
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


def habits_of(known: Known) -> Habits:
    """The model's numbers as the county set them."""
    s = known.settings
    return Habits(
        marking_minutes=s["lines.marking_minutes"], leaving=s["lines.leaving_hazard"], burst_sd=s["lines.burst_sd"],
        burst_minutes=s["lines.burst_minutes"], fails=s["lines.scanner_fails"], jam_share=s["lines.jam_share"],
        jam_minutes=s["lines.jam_minutes"], fault_minutes=s["lines.fault_minutes"],
        station_fails=s["lines.station_fails"], station_minutes=s["lines.station_minutes"],
    )  # fmt: skip


def lay_out(known: Known, facts: Roster, supply: pl.DataFrame, now: int) -> Places:
    """Stations, scanners, rates and hours by the minute, from before the first opening to after the last closing."""
    sites = len(facts.site_ids)
    first = int(facts.opens.min(initial=24 * 60)) - LEAD
    last = max(int(facts.closes.max(initial=0)), int(facts.opens.max(initial=0)), min(now, 2 * 1440)) + TAIL
    grid = np.arange(first, max(last, first + 1), dtype=np.int64)
    rates = arrival_rates(facts.expected, facts.opens, facts.closes, grid, known.settings["lines.opening_crowd"])
    halted = halts(known, facts, grid)
    begun = (grid[None, :] >= facts.service_from[:, None]) & ~halted
    most = max((len(units) for units in facts.scanners), default=0)
    dark = np.full((sites, most), np.inf)
    dark_since = {r["unit_id"]: r["dark_minute"] for r in dark_rows(known, supply)}
    for s, units in enumerate(facts.scanners):
        for k, unit in enumerate(units):
            dark[s, k] = dark_since.get(unit, np.inf)
    return Places(
        stations=facts.stations[:, None].astype(np.float32), booths=facts.booths[:, None].astype(np.float32),
        scanners=np.array([len(units) for units in facts.scanners], np.int64), rates=rates.astype(np.float32),
        serving=begun, scanning=begun, seeds=[seed_of(known, site_id) for site_id in facts.site_ids],
        first_minute=first, dark_from=dark,
    )  # fmt: skip


def dark_rows(known: Known, supply: pl.DataFrame) -> list[dict]:
    """Units believed dark at T, with the minute since when."""
    if supply.is_empty():
        return []
    rows = supply.filter(pl.col("supply") == "dark").with_columns(since=pl.coalesce("dark_since", "since"))
    rows = rows.filter(pl.col("since").is_not_null()).with_columns(dark_minute=observations.minute_of("since", known))
    return rows.select("unit_id", "dark_minute").to_dicts()


def halts(known: Known, facts: Roster, grid: np.ndarray) -> np.ndarray:
    """Where voting was suspended: sites x minutes."""
    steps = observations.step_minutes(known)
    halted = np.zeros((len(facts.site_ids), len(grid)), bool)
    for s, site_id in enumerate(facts.site_ids):
        mine = steps.get(site_id, {})
        if "suspended" in mine:
            start, end = mine["suspended"], mine.get("resumed", np.inf)
            halted[s] = (grid >= start) & (grid < (end if end > start else np.inf))
    return halted


def start_particles(known: Known, facts: Roster, places: Places, seen: Observations, now: int) -> Array:
    """Particles before opening, drawn from the priors; the day factor's prior is learnt from the other sites."""
    s, n = known.settings, int(known.settings["lines.particles"])
    prior = day_factors(*let_through(places, seen, now), s["lines.day_sd"], s["lines.site_sd"])
    most = int(places.scanners.max(initial=0))
    z = np.zeros((HEAD + 2 * most, len(facts.site_ids), n), np.float32)
    for k, seed in enumerate(places.seeds):
        rng = event_rng(seed, 0, 0)
        drawn = rng.standard_normal((4, n))
        z[FACTOR, k] = prior.mean[k] + prior.sd[k] * drawn[0]
        z[CHECKIN_LOG, k] = np.log(s["lines.checkin_minutes"]) + s["lines.checkin_sd"] * drawn[1]
        z[SCAN_LOG, k] = np.log(s["lines.scan_minutes"]) + s["lines.scan_sd"] * drawn[2]
        z[BURST, k] = s["lines.burst_sd"] * drawn[3]
        z[SHUT, k] = np.minimum(rng.random(n) < 0.03, facts.stations[k] - 1)
    return z


def let_through(places: Places, seen: Observations, now: int) -> tuple[Floats, Floats]:
    """Voters let through at each site, and voters expected over the same minutes, a few minutes before."""
    total = np.concatenate([np.zeros((len(places.seeds), 1)), np.cumsum(places.rates, axis=1)], axis=1)
    expected = np.zeros(len(places.seeds))
    for s, spans in enumerate(seen.seen_spans):
        for start, end, weight in spans:
            a, b = (
                int(np.clip(x - THROUGH_MINUTES - places.first_minute, 0, total.shape[1] - 1)) for x in (start, end)
            )
            expected[s] += weight * (total[s, b] - total[s, a])
    return seen.seen, expected


def replay(z: Array, places: Places, habits: Habits, seen: Observations, column: int) -> None:
    """Step and weigh minute by minute, up to and with `column`; ends with equal weights."""
    if z.shape[1] == 0:
        return
    logw = np.zeros(z.shape[1:])
    draws = Draws(places.seeds, z.shape[2], places.scanners, stream=1)
    tables = {name: by_minute(getattr(seen, name)) for name in ("scans", "windows", "counts", "calls")}
    for at in range(column + 1):
        minute = places.first_minute + at
        step(z, places, habits, at, draws.at(minute))
        touched = weigh_minute(z, logw, places, at, {name: rows.get(minute, []) for name, rows in tables.items()})
        if minute % observations.WINDOW_MINUTES == 0:
            z[WINDOW] = 0
        sites = np.array(sorted(touched), np.int64)
        if len(sites):
            logw[sites] -= logw[sites].max(axis=1, keepdims=True)
            thin = sites[is_thin(logw, sites)]
            if len(thin):
                resample(z, logw, thin, places.seeds, minute)
    uneven = np.flatnonzero(np.ptp(logw, axis=1) > 0)
    if len(uneven):
        resample(z, logw, uneven, places.seeds, places.first_minute + column + 10_000)


def by_minute(table: pl.DataFrame) -> dict[int, list[tuple]]:
    """Rows of a table by minute, the minute left out."""
    rows: dict[int, list[tuple]] = {}
    for minute, *rest in table.iter_rows():
        rows.setdefault(minute, []).append(tuple(rest))
    return rows


def weigh_minute(z: Array, logw: Floats, places: Places, column: int, rows: dict[str, list[tuple]]) -> set[int]:
    """Weigh everything that occurred in one minute; gives the sites that it touched."""
    minute = places.first_minute + column
    for row in rows["calls"]:
        weighing.weigh_call(z, logw, places, minute, row)
    for row in rows["scans"]:
        weighing.weigh_scan(z, logw, places, minute, row)
    for row in rows["windows"]:
        weighing.weigh_window(z, logw, row)
    for row in rows["counts"]:
        weighing.weigh_count(z, logw, places, column, row)
    return {row[0] for part in rows.values() for row in part}


def basis_of(seen: Observations, facts: Roster, now: int) -> dict[tuple[int, int], str]:
    """What each line's estimate stands on, and how old that is at T."""
    last: dict[tuple[int, int], list[str]] = {}

    def note(frame: pl.DataFrame, word: str, lines: tuple[int, ...]) -> None:
        newest = frame.filter(pl.col("minute") <= now).group_by("site").agg(pl.col("minute").max()).sort("site")
        for site, minute in newest.iter_rows():
            for line in lines:
                last.setdefault((site, line), []).append(f"{word} {now - minute} min ago")

    for line in (0, 1):
        mine = seen.counts.filter(pl.col("line") == line)
        note(mine.filter(~pl.col("is_call")), "head count", (line,))
        note(mine.filter(pl.col("is_call")), "call", (line,))
    note(seen.windows, "poll books", (0,))
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
    empty_share = ((z[CHECKIN] + z[MARKING] + z[SCANNING]) < 0.5).mean(axis=1)
    late = (minute >= facts.closes) & (facts.closes > facts.opens) & (empty_share < 0.9)
    return np.asarray(is_day | (late & (minute < facts.last_voter)))


def rows_at(states: LineStates, z: Array, column: int, at: datetime) -> list[tuple]:
    """Rows of `Lines` from a set of particles."""
    if z.shape[1] == 0:
        return []
    shown = is_shown(states, z, column)
    rows = []
    for line, name in enumerate(("checkin", "scanner")):
        people = weighing.waiting(z, states.places, line, column)
        wait = wait_minutes(states, z, line, column, people)
        for s in np.flatnonzero(shown):
            rows.append(
                (states.roster.site_ids[s], name, at, *spread(people[s]), *spread(wait[s]), chance_over(wait[s]),
                 states.basis[int(s), line])
            )  # fmt: skip
    return rows


def spread(values: Array) -> tuple[float, float, float, float]:
    """Mean, median, 5 % and 95 % of the particles."""
    low, median, high = np.quantile(values, (0.05, 0.5, 0.95))
    return float(values.mean(dtype=np.float64)), float(median), float(low), float(high)


def chance_over(wait: Array) -> float:
    """Chance to wait over half an hour, drawn in a little from nought and one."""
    return float(SOFT * 0.1 + (1 - SOFT * 1.1) * np.mean(wait > LIMIT))


def wait_minutes(states: LineStates, z: Array, line: int, column: int, people: Array) -> Array:
    """Minutes until service for a voter who joins now, by particle."""
    places, habits = states.places, states.habits
    if line == 0:
        stations = np.maximum(places.stations - z[SHUT], 0)
        each = np.exp(z[CHECKIN_LOG]) / np.maximum(stations, 1)
        until = until_serving(states, column)[:, None]
        free = (people == 0) & (z[CHECKIN] < stations)
        stopped = (stations <= 0) * np.float32(habits.station_minutes)
        return np.asarray(until + stopped + np.where(free, 0, (people + 1) * each))
    up = weighing.scanners_up(z, places, column)
    each = np.exp(z[SCAN_LOG]) / np.maximum(up, 1)
    free = (people == 0) & (z[SCANNING] < np.maximum(up, 1))
    wait = np.where(free, 0, (people + 1) * each)
    return np.asarray(wait + residual_stop(states, z, up, column))


def until_serving(states: LineStates, column: int) -> Floats:
    """Minutes until check-in starts (0 where it is at work)."""
    ahead = states.places.serving[:, column:]
    return np.asarray(np.where(ahead.any(axis=1), ahead.argmax(axis=1), LIMIT * 2), np.float32)


def residual_stop(states: LineStates, z: Array, up: Array, column: int) -> Array:
    """Minutes until a stopped scanner is back, where none is up: exponential, by its cause."""
    habits, places = states.habits, states.places
    most = int(places.scanners.max(initial=0))
    stuck = (up == 0) & (places.scanners > 0)[:, None]
    if most == 0 or not stuck.any():
        return np.zeros_like(up)
    is_jam = (z[HEAD : HEAD + most] == JAM).any(axis=0)
    mean = np.where(is_jam, habits.jam_minutes, habits.fault_minutes)
    draws = np.stack([event_rng(seed, column, 40).exponential(size=z.shape[2]) for seed in places.seeds])
    back = until_serving(states, column)[:, None]
    return np.asarray(np.where(back > 0, np.minimum(back, 240), stuck * mean * draws), np.float32)


def outlook(states: LineStates) -> pl.DataFrame:
    """The lines ahead of T; the rows of the last horizon say when the last voter leaves."""
    schema = line_schema(estimates.Outlook)
    z, places = states.state.copy(), states.places
    if z.shape[1] == 0:
        return pl.DataFrame(schema=schema)
    draws = Draws(places.seeds, z.shape[2], places.scanners, stream=2)
    ends = np.full(z.shape[1:], np.nan)
    rows: list[tuple] = []
    closes = states.roster.closes[:, None]
    waiting_rows: list[tuple] = []
    for column in range(states.column + 1, places.rates.shape[1]):
        minute = places.first_minute + column
        step(z, places, states.habits, column, draws.at(minute))
        is_out = (z[CHECKIN] + z[MARKING] + z[SCANNING] < 0.5) & (minute >= closes) & np.isnan(ends)
        ends = np.where(is_out, minute, ends)
        ahead = column - states.column
        if ahead in HORIZONS:
            found = rows_at(states, z, column, states.at + timedelta(minutes=ahead))
            if ahead == HORIZONS[-1]:
                waiting_rows = found
            else:
                rows += [(*row, float(ahead), None, None, None) for row in found]
        if ahead >= HORIZONS[-1] and not np.isnan(ends).any():
            break
    last = last_voters(states, ends)
    rows += [(*row, float(HORIZONS[-1]), *last[row[0]]) for row in waiting_rows]
    names = [*line_schema(), "ahead_minutes", "last_voter_at_low", "last_voter_at_mean", "last_voter_at_high"]
    frame = pl.DataFrame(rows, schema={name: schema[name] for name in names}, orient="row")
    return frame.select(*schema).sort("site_id", "line", "ahead_minutes")


def last_voters(states: LineStates, ends: Floats) -> dict[str, tuple[datetime, datetime, datetime]]:
    """When the last voter leaves each site: 5 %, mean, 95 %. Particles not done when the grid ends count as then."""
    limit = states.places.first_minute + states.places.rates.shape[1]
    filled = np.where(np.isnan(ends), limit, ends)
    now = states.places.first_minute + states.column

    def moment(minute: float) -> datetime:
        return states.at + timedelta(minutes=round(float(minute)) - now)

    found = {}
    for s, site_id in enumerate(states.roster.site_ids):
        low, high = np.quantile(filled[s], (0.05, 0.95))
        found[site_id] = (moment(low), moment(filled[s].mean()), moment(high))
    return found


def site_loads(states: LineStates) -> pl.DataFrame:
    """Each site's lines and arrivals still to come: SiteLoads."""
    z, places, facts = states.state, states.places, states.roster
    schema = line_schema(events.SiteLoads)
    if z.shape[1] == 0:
        return pl.DataFrame(schema=schema)
    minute = places.first_minute + states.column
    ahead = places.rates[:, states.column + 1 :].astype(np.float64)
    factor = np.exp(z[FACTOR].astype(np.float64))
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
