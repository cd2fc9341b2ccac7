"""What the next day needs: the fewest stations, booths and scanners that keep waits short, by the model as learnt.

Every candidate is a row of particles that stand for whole days: turnout about what is expected, bursts, service times
as this day's particles have learnt them, stops of scanners and stations. Candidates of a site meet the same chances.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import ndtri

from pipeline.contracts.asked import NextDay
from pipeline.contracts.known import Known, empty
from pipeline.estimates.lines import rules
from pipeline.estimates.lines.arrivals import arrival_rates
from pipeline.estimates.lines.chances import Draws
from pipeline.estimates.lines.filter import (
    CHECKIN_LOG,
    COMPARTMENT_ODDS,
    DOUBT,
    FACTOR,
    FIXED,
    LOG_RATE,
    MARKING_LOG,
    SCAN_LOG,
    Array,
    Floats,
    Habits,
    Ints,
    Places,
)  # fmt: skip
from pipeline.estimates.lines.lines import LIMIT, LineStates, wait_minutes
from pipeline.estimates.lines.observations import midnight
from pipeline.estimates.lines.replay import LEAD, log_odds, seed_of, start_particles
from pipeline.estimates.lines.runs import waiting_by_line
from pipeline.estimates.lines.stepping import Speeds, step

CHANCE = 0.05  # of a wait over half an hour, in no hour more; the contract's figure
PARTS = (0.6, 0.8, 1.0)  # of it that check-in, then booths too, then scanners too may use up; our choice
PARTICLES = 120  # days that each candidate is tried on [count]; our choice
AT_ONCE = 4  # candidates of a site in one run [count]
EVERY = 10  # waits are looked at every so many minutes [min]; our choice
MOST = 400  # more servers than this are left to the closed forms [count]; our choice
MOST_SCANNERS = 30  # likewise, as each scanner is stepped by itself [count]
AMPLE = 10_000  # booths that nobody has to wait for [count]
AS_LEARNT = "service times as learnt at the site"
NOT_LISTED = "not on the roster: service times, and hours where none are given, of the county's sites"
STREAM = 6  # keeps these chances apart


@dataclass(frozen=True)
class Sites:
    """The sites of the list. Times in minutes after local midnight.

    `fixed` is what was learnt: rows x sites x particles.
    """

    site_ids: list[str]
    expected: Floats
    opens: Ints
    closes: Ints
    rates: Floats
    first_minute: int
    fixed: Array
    seeds: list[int]
    notes: list[list[str]]

    def service(self, row: int) -> Floats:
        """Mean of a service time over the particles [min]."""
        return np.asarray(np.exp(self.fixed[row].astype(np.float64)).mean(axis=1))


def next_day(known: Known, states: LineStates, listed: pl.DataFrame, spread: float | None = None) -> pl.DataFrame:
    """NextDay for every site of a list.

    Parameters
    ----------
    states : the lines at T: what has been learnt of service times and of when people come
    listed : `ExpectedVoters`
    spread : of turnout about what is expected, in the log; None: as assumed for a county's day and its sites
    """
    schema = dict(empty(NextDay).schema)
    if listed.is_empty():
        return pl.DataFrame(schema=schema)
    s = known.settings
    sd = float(np.hypot(s["lines.day_sd"], s["lines.site_sd"])) if spread is None else spread
    sites = sites_of(known, states, listed)
    closed = rules.closed_forms(sites.expected, hourly_peak(sites), sites.closes - sites.opens, services(sites))
    found = {name: closed[f"{name}_erlang"].copy() for name in ("stations", "booths", "scanners")}
    big = (found["stations"] > MOST) | (found["booths"] > MOST) | (found["scanners"] > MOST_SCANNERS)
    voted = (sites.expected >= 1) & (sites.closes > sites.opens)
    chance, whole, hour = np.zeros(len(voted)), np.zeros(len(voted)), np.full(len(voted), -1)
    tried = np.flatnonzero(voted & ~big)
    if len(tried):
        trial = Trial(known, sites, states.habits, sd)
        numbers = trial.fewest(tried, found)
        for name, values in numbers.items():
            found[name][tried] = values
        chance[tried], whole[tried], hour[tried] = trial.chances(tried, numbers)
    for k in np.flatnonzero(voted & big):
        sites.notes[k].append("too many to be tried out: the numbers are Erlang C's")
        chance[k] = whole[k] = CHANCE
    rows = [row_of(sites, k, found, closed, chance[k], whole[k], int(hour[k])) for k in range(len(voted))]
    return pl.DataFrame(rows, schema=schema).sort("site_id")


def sites_of(known: Known, states: LineStates, listed: pl.DataFrame) -> Sites:
    """The sites of the list with their hours, arrivals and what was learnt of their service."""
    rows = listed.sort("site_id").to_dicts()
    place = {site_id: k for k, site_id in enumerate(states.roster.site_ids)}
    notes: list[list[str]] = [[] for _ in rows]
    opens, closes, fixed = [], [], []
    for k, row in enumerate(rows):
        own = place.get(row["site_id"])
        opens.append(hour_of(known, row["opens"], own, states.roster.opens, 420))
        closes.append(hour_of(known, row["closes"], own, states.roster.closes, 1200))
        fixed.append(learnt(known, states, own, row["site_id"]))
        notes[k].append(AS_LEARNT if own is not None else NOT_LISTED)
        if row["expected_voters"] < 1:
            notes[k].append("nobody is expected")
        if closes[k] <= opens[k]:
            notes[k].append("closes before it opens: no voting")
    expected = np.array([row["expected_voters"] for row in rows], np.float64)
    start, end = np.array(opens, np.int64), np.array(closes, np.int64)
    first = int(start.min()) - LEAD
    grid = np.arange(first, max(int(end.max()), int(start.max()) + 1), dtype=np.int64)
    rates = arrival_rates(expected, start, end, grid, known.settings["lines.opening_crowd"])
    shaped = rates * learnt_shape(known, states, grid)
    shaped *= (expected / np.maximum(shaped.sum(axis=1), 1e-9))[:, None] * (rates.sum(axis=1) > 0)[:, None]
    seeds = [seed_of(known, row["site_id"]) for row in rows]
    return Sites([r["site_id"] for r in rows], expected, start, end, shaped, first, np.stack(fixed, 1), seeds, notes)


def hour_of(known: Known, told: object, own: int | None, roster: Ints, usual: int) -> int:
    """An hour of voting: as listed, else the site's own, else the county's, else the usual [min after midnight]."""
    if told is not None:
        return int((told - midnight(known)).total_seconds() // 60)  # type: ignore[operator]
    if own is not None:
        return int(roster[own])
    return int(np.median(roster)) if len(roster) else usual


def learnt(known: Known, states: LineStates, own: int | None, site_id: str) -> Array:
    """Fixed quantities of as many particles as are tried: the site's, else of all sites, else from the assumptions."""
    rng = np.random.default_rng([seed_of(known, site_id), STREAM])
    count = states.state.shape[1]
    if own is None and count == 0:
        s = known.settings
        z = np.zeros((FIXED, PARTICLES), np.float32)
        for row, name in ((CHECKIN_LOG, "checkin"), (SCAN_LOG, "scan"), (MARKING_LOG, "marking")):
            z[row] = np.log(s[f"lines.{name}_minutes"]) + s[f"lines.{name}_sd"] * rng.standard_normal(PARTICLES)
        z[COMPARTMENT_ODDS] = log_odds(s["lines.compartment_share"])
        return z
    at = np.full(PARTICLES, own) if own is not None else rng.integers(0, count, PARTICLES)
    return np.asarray(states.state[:FIXED, at, rng.integers(0, states.state.shape[2], PARTICLES)])


def learnt_shape(known: Known, states: LineStates, grid: Ints) -> Floats:
    """How this county's arrivals by the minute differ from the published profile, their sum left out; 1: not known."""
    facts, places = states.roster, states.places
    minutes = places.first_minute + np.arange(places.rates.shape[1], dtype=np.int64)
    base = arrival_rates(facts.expected, facts.opens, facts.closes, minutes, known.settings["lines.opening_crowd"]).sum(
        0
    )
    seen = places.rates.astype(np.float64).sum(axis=0)
    has = (base > 1e-9) & (seen > 1e-9)
    if not has.any():
        return np.ones(len(grid))
    level = seen[has].sum() / base[has].sum()
    return np.asarray(np.interp(grid, minutes[has], seen[has] / base[has] / level))


def hourly_peak(sites: Sites) -> Floats:
    """The busiest hour's arrivals at each site [1/min]."""
    hours = max(1, sites.rates.shape[1] // 60)
    parts = [part.mean(axis=1) for part in np.array_split(sites.rates, hours, axis=1)]
    return np.asarray(np.max(parts, axis=0))


def services(sites: Sites) -> dict[str, Floats]:
    """Mean service times by what serves [min]."""
    rows = {"stations": CHECKIN_LOG, "booths": MARKING_LOG, "scanners": SCAN_LOG}
    return {name: sites.service(row) for name, row in rows.items()}


@dataclass(frozen=True)
class Trial:
    """Whole days of the sites, run with chosen numbers of servers."""

    known: Known
    sites: Sites
    habits: Habits
    spread: float

    def fewest(self, which: Ints, guess: dict[str, Ints]) -> dict[str, Ints]:
        """Stations, then booths, then scanners: the fewest of each that keep the chance, those before it given."""
        numbers = {
            "stations": guess["stations"][which],
            "booths": np.full(len(which), AMPLE),
            "scanners": np.zeros(len(which), np.int64),
        }
        for name, part in zip(("stations", "booths", "scanners"), PARTS, strict=True):
            limit = part * CHANCE

            def passes(site: Ints, tried: Ints, name: str = name, limit: float = limit) -> np.ndarray:
                given = {key: values[site] for key, values in numbers.items()} | {name: tried}
                return np.asarray(self.chances(which[site], given)[0] < limit)

            most = MOST_SCANNERS if name == "scanners" else MOST
            numbers[name] = fewest(passes, guess[name][which], 2 * most)
        return numbers

    def chances(self, which: Ints, numbers: dict[str, Ints]) -> tuple[Floats, Floats, Ints]:
        """Chance over half an hour in the worst hour, over the whole day, and which hour: one a row of `which`."""
        places = self.places(which, numbers)
        z = self.mornings(which, places)
        draws, speeds = Draws(places.seeds, PARTICLES, places.scanners, STREAM), Speeds(z)
        hours = -(-places.rates.shape[1] // 60)
        over, voters = np.zeros((len(which), hours)), np.zeros((len(which), hours))
        for column in range(places.rates.shape[1]):
            step(z, places, self.habits, column, draws.at(places.first_minute + column), speeds=speeds)
            if column % EVERY == 0:
                weight = places.rates[:, column, None] * np.exp(z[LOG_RATE]) * places.serving[:, column, None]
                over[:, column // 60] += (weight * (self.waits(z, places, column) > LIMIT)).sum(axis=1)
                voters[:, column // 60] += weight.sum(axis=1)
        share = over / np.maximum(voters, 1e-9)
        worst = share.argmax(axis=1)
        whole = over.sum(axis=1) / np.maximum(voters.sum(axis=1), 1e-9)
        return share.max(axis=1), whole, places.first_minute // 60 + worst

    def mornings(self, which: Ints, places: Places) -> Array:
        """Particles before opening: service as learnt, and turnout spread evenly over its distribution.

        Turnout decides most of what is asked here, so its quantiles are taken instead of draws (stratified sampling).
        """
        sites = np.arange(len(which))
        z = start_particles(self.known, places, np.full(len(which), self.spread), sites, PARTICLES)
        z[:FIXED] = self.sites.fixed[:, which]
        burst = self.habits.burst_sd
        levels = ndtri((np.arange(PARTICLES) + 0.5) / PARTICLES)
        for k in sites:
            rng = np.random.default_rng([places.seeds[k], STREAM, 1])
            z[FACTOR, k] = self.spread * rng.permutation(levels) - (burst**2 + self.spread**2) / 2
            z[LOG_RATE, k] = z[FACTOR, k] + burst * rng.standard_normal(PARTICLES)
        z[DOUBT] = 0.0  # each particle knows its own level
        return z

    def places(self, which: Ints, numbers: dict[str, Ints]) -> Places:
        """The sites with these numbers of servers; open, and with power, for the whole of their hours."""
        s, n = self.sites, len(which)
        grid = s.first_minute + np.arange(s.rates.shape[1])
        is_open = (grid[None] >= s.opens[which][:, None]) & (grid[None] < s.closes[which][:, None])
        most = int(numbers["scanners"].max(initial=0))
        never = np.full((n, most), np.inf)
        return Places(
            stations=numbers["stations"][:, None].astype(np.float32),
            booths=numbers["booths"][:, None].astype(np.float32), scanners=numbers["scanners"],
            rates=s.rates[which].astype(np.float32), serving=is_open, scanning=np.ones_like(is_open),
            seeds=[s.seeds[k] for k in which], first_minute=s.first_minute,
            pace=np.ones((n, len(grid)), np.float32), dark_from=never, dark_until=never,
        )  # fmt: skip

    def waits(self, z: Array, places: Places, column: int) -> Floats:
        """Minutes that a voter who joins now spends in the three lines, as they stand."""
        people = waiting_by_line(z, places, column)
        booth = people[1] * np.exp(z[MARKING_LOG]) / places.booths
        lines = [wait_minutes(places, self.habits, z, line, column, people[2 * line]) for line in (0, 1)]
        return np.asarray(lines[0] + booth + lines[1])


def fewest(passes: Callable[[Ints, Ints], np.ndarray], guess: Ints, most: int) -> Ints:
    """The fewest servers that pass at each site, tried several at once around a guess, then between what is known.

    More servers never wait longer on the same chances, so what fails bounds from below and what passes from above.
    """
    low, high = np.zeros(len(guess), np.int64), np.full(len(guess), most, np.int64)
    around = np.maximum(np.round(guess[:, None] * np.array([0.7, 1.0, 1.35, 1.9])), 1).astype(np.int64)
    parts = np.arange(1, AT_ONCE + 1) / (AT_ONCE + 1)
    while (high - low > 1).any():
        between = low[:, None] + np.ceil((high - low)[:, None] * parts).astype(np.int64)
        is_new = ((low == 0) & (high == most))[:, None]
        tried = np.where(is_new, around, between)
        tried = np.clip(tried, low[:, None] + 1, np.maximum(high - 1, low + 1)[:, None])
        open_sites = np.flatnonzero(high - low > 1)
        site = np.repeat(open_sites, AT_ONCE)
        good = passes(site, tried[open_sites].ravel()).reshape(-1, AT_ONCE)
        for k, s in enumerate(open_sites):
            high[s] = min([high[s], *tried[s][good[k]]])
            low[s] = max([low[s], *[t for t in tried[s][~good[k]] if t < high[s]]])
    return high


def row_of(
    sites: Sites,
    k: int,
    found: dict[str, Ints],
    closed: dict[str, Ints],
    chance: float,
    whole: float,
    hour: int,
) -> dict[str, object]:
    """One row of `NextDay`."""
    times = services(sites)
    return (
        {"site_id": sites.site_ids[k], "expected_voters": float(sites.expected[k])}
        | {name: int(values[k]) for name, values in found.items()}
        | {"chance_over_30": float(chance), "worst_hour": f"{hour % 24:02d}:00" if hour >= 0 else None,
           "chance_over_30_whole_day": float(whole)}
        | {name: int(values[k]) for name, values in closed.items()}
        | {"checkin_minutes": float(times["stations"][k]), "marking_minutes": float(times["booths"][k]),
           "scan_minutes": float(times["scanners"][k]), "basis": "; ".join(sites.notes[k])}
    )  # fmt: skip
