"""The day of every site, replayed from before opening to T with everything received by T.

Each row counts at the time at which it occurred, so a row that came late weighs as if it had come in time, and the
order of arrival cannot matter. Sites where a long line may stand get more particles.
"""

import dataclasses
import functools
import hashlib
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.estimates.lines import checkpoints, halves, observations, orders, siterows, weighing
from pipeline.estimates.lines.arrivals import arrival_rates
from pipeline.estimates.lines.chances import Draw, Draws, drawn, event_rng, normals
from pipeline.estimates.lines.filter import (
    CHECKIN_LOG,
    CHECKIN_ROWS,
    COMPARTMENT_ODDS,
    DOUBT,
    FACTOR,
    HEAD,
    LOG_RATE,
    MARKING_LOG,
    PASSED,
    SCAN_LOG,
    SCANNED,
    SHUT,
    WINDOW,
    Array,
    Floats,
    Habits,
    Ints,
    Places,
    is_thin,
    resample,
)
from pipeline.estimates.lines.observations import Observations, Roster
from pipeline.estimates.lines.siterows import Rows
from pipeline.estimates.lines.stepping import Speeds, step
from pipeline.estimates.lines.windows import WINDOW_MINUTES
from pipeline.settings import Settings

Result = TypeVar("Result")

LEAD = 60  # the replay starts, and rows begin, this long before opening [min]
TAIL = 360  # the outlook looks no further than this after closing [min]
HOT_LOAD = 1.25  # a site whose likely peak load per station is above this is hot [1]; our choice
HOT_TIMES = (
    4  # as many particles as elsewhere, since few end up on one side there; our choice, docs/methods/lines.md [1]
)
HOT_COUNT = 20.0  # a site where more were counted is hot [people]; our choice
COMPARTMENT_SD = 1.7  # spread of its log odds: about .5 every share is nearly as likely; our choice
COMPARTMENT_MINUTES = 120.0  # over which a site's own share is forgotten: who decides on it changes [min]; our choice
LEAST_DARK = 30.0  # a unit that is dark at T stays so at least this long where nobody knows better [min]; our choice
START_SHUT = 0.03  # chance that a site opens one station short; our choice
BATCH = 40_000  # particles stepped together: their arrays stay in a processor's cache [count]; our choice
WANDERING = 70  # keeps the randomness of `wander` apart from that of other events
MANY = 10_000  # keeps the last resampling's randomness apart from those of the minutes


def seed_of(known: Known, site_id: str) -> int:
    """A seed from county, election day and site only."""
    text = f"{known.county.name}|{known.county.election_day.isoformat()}|{site_id}"
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


def habits_of(s: Settings) -> Habits:
    """The model's numbers as the county set them."""
    return Habits(
        leaving=s["lines.leaving_hazard"], burst_sd=s["lines.burst_sd"],
        burst_minutes=s["lines.burst_minutes"], fails=s["lines.scanner_fails"], jam_share=s["lines.jam_share"],
        jam_minutes=s["lines.jam_minutes"], fault_minutes=s["lines.fault_minutes"],
        station_fails=s["lines.station_fails"], station_minutes=s["lines.station_minutes"],
        batches=s["lines.batches"], batch_people=s["lines.batch_people"],
        compartment_odds=log_odds(s["lines.compartment_share"]),
    )  # fmt: skip


def log_odds(share: float) -> float:
    """The log of a share over its rest, for nought and one too."""
    return float(np.log(max(share, 1e-6) / max(1 - share, 1e-6)))


def lay_out(known: Known, facts: Roster, supply: pl.DataFrame, now: int, stops: list[orders.Stop]) -> Places:
    """Stations, scanners, rates and hours by the minute, from before the first opening to after the last closing."""
    first = min(int(facts.opens.min(initial=24 * 60)) - LEAD, max(now, -24 * 60))
    last = max(int(facts.closes.max(initial=0)), int(facts.opens.max(initial=0)), min(now, 2 * 1440)) + TAIL
    grid = np.arange(first, max(last, first + 1), dtype=np.int64)
    rates = arrival_rates(facts.expected, facts.opens, facts.closes, grid, known.settings["lines.opening_crowd"])
    begun = (grid[None, :] >= facts.service_from[:, None]) & ~orders.halted(stops, len(facts.site_ids), grid)
    spells = dark_spells(known, supply)
    return Places(
        stations=facts.stations[:, None].astype(np.float32), booths=facts.booths[:, None].astype(np.float32),
        scanners=np.array([len(units) for units in facts.scanners], np.int64), rates=rates.astype(np.float32),
        serving=begun, scanning=begun, seeds=[seed_of(known, site_id) for site_id in facts.site_ids],
        first_minute=first, pace=check_in_pace(known, facts, spells, grid),
        dark_from=by_scanner(facts, spells, 0), dark_until=by_scanner(facts, spells, 1),
    )  # fmt: skip


def by_scanner(facts: Roster, spells: dict[str, tuple[float, float]], end: int) -> Floats:
    """When each scanner went dark (end 0), or is lit again (1): sites x scanners, never where it is not dark."""
    most = max((len(units) for units in facts.scanners), default=0)
    found = np.full((len(facts.site_ids), most), np.inf)
    for s, units in enumerate(facts.scanners):
        for k, unit in enumerate(units):
            found[s, k] = spells.get(unit, (np.inf, np.inf))[end]
    return found


def check_in_pace(known: Known, facts: Roster, spells: dict[str, tuple[float, float]], grid: Ints) -> Array:
    """Speed of check-in by minute: a station whose poll book is dark goes on by paper list, more slowly."""
    pace = np.ones((len(facts.site_ids), len(grid)), np.float32)
    lost = 1 - known.settings["lines.paper_pace"]
    for s, books in enumerate(facts.poll_books):
        for book in books:
            start, end = spells.get(book, (np.inf, np.inf))
            part = 1 / max(len(books), int(facts.stations[s]))
            pace[s] -= np.float32(lost * part) * ((grid >= start) & (grid < end))
    return pace


def dark_spells(known: Known, supply: pl.DataFrame) -> dict[str, tuple[float, float]]:
    """Units believed dark at T: from which minute, and until when: as promised, else the usual length of an outage."""
    if supply.is_empty():
        return {}
    rows = supply.filter(pl.col("supply") == "dark").with_columns(start=pl.coalesce("dark_since", "since"))
    rows = rows.filter(pl.col("start").is_not_null()).select(
        "unit_id",
        start=observations.minute_of("start", known),
        outage=observations.minute_of("outage_since", known),
        back=observations.minute_of("restoration_at", known),
    )
    now = (known.at - observations.midnight(known)).total_seconds() / 60
    found = {}
    for unit, start, outage, back in rows.iter_rows():
        usual = (start if outage is None else outage) + known.settings["lines.outage_minutes"]
        found[unit] = (start, max(usual if back is None else back, now + LEAST_DARK))
    return found


def replay_all(
    known: Known, places: Places, habits: Habits, seen: Observations, spread: Floats, particles: Ints, column: int
) -> Array:  # fmt: skip
    """Equally likely states of every site after `column`: rows x sites x particles.

    Parameters
    ----------
    spread, particles : of each site: of its own level in the log; how many it gets, see `particles_of`
    """
    most = int(places.scanners.max(initial=0))
    n = int(known.settings["lines.particles"])
    split = observations.watched(seen, places, np.arange(len(particles)))
    checkpoints.SHELF.make_room(particles, places.scanners)
    rows = siterows.by_site(seen)
    marks = checkpoints.digests(known, places, habits, rows, spread, particles, column, split)
    points = [checkpoints.newest(own) for own in marks]
    state = np.zeros((HEAD + 2 * most, len(particles), n), np.float32)

    def fill(sites: Ints) -> None:
        mine, many, begins = some_places(places, sites), int(particles[sites[0]]), points[sites[0]][0]
        if begins:
            begun = checkpoints.restored([points[s][1] for s in sites], mine.scanners, begins)
        else:
            begun = checkpoints.Begun(start_particles(known, places, spread, sites, many))
        keeper = checkpoints.Keeper([marks[s] for s in sites], mine.scanners)
        z, tables = begun.z, siterows.tables_of(rows, sites, places.first_minute + begins)
        replay(z, mine, habits, tables, column, split=split[sites], begun=begun, keep=keeper)
        for row, own in zip(checkpoints.rows_of(int(mine.scanners.max(initial=0)), most), z, strict=True):
            state[row, sites] = own[:, :: many // n]

    side_by_side(fill, batches_of(particles, np.array([begins for begins, _ in points], np.int64)))
    return state


def side_by_side(work: Callable[[Ints], Result], batches: Sequence[Ints]) -> list[Result]:
    """The work on each batch of sites, in order; on all cores, as sites do not share randomness."""
    if len(batches) < 2:
        return [work(batch) for batch in batches]
    with ThreadPoolExecutor(min(os.cpu_count() or 1, len(batches))) as pool:
        return list(pool.map(work, batches))


def batches_of(few: Ints, begun: Ints) -> list[Ints]:
    """The sites to be stepped together: as many particles each, begun at the same checkpoint."""
    batches = []
    for many, part in sorted(set(zip(few.tolist(), begun.tolist(), strict=True))):
        sites, at_once = np.flatnonzero((few == many) & (begun == part)), max(BATCH // many, 1)
        batches += [sites[k : k + at_once] for k in range(0, len(sites), at_once)]
    return batches


def particles_of(known: Known, places: Places, seen: Observations) -> Ints:
    """How many particles each site gets: more where a long line may stand, by the roster's peak load or counts.

    The county's day is left out on purpose: a site that gets another number of particles is replayed from opening, and
    the day's level moves all the time.
    """
    s = known.settings
    peak = places.rates.max(axis=1, initial=0) * np.exp(s["lines.site_sd"])
    load = peak * s["lines.checkin_minutes"] / np.maximum(places.stations[:, 0], 1)
    load = np.maximum(load, peak * s["lines.scan_minutes"] / np.maximum(places.scanners, 1))
    long = seen.counts.filter((pl.col("count") > HOT_COUNT) | pl.col("count").is_null())
    is_hot = (load >= HOT_LOAD) | np.isin(np.arange(len(load)), long["site"].to_numpy())
    return np.asarray(int(s["lines.particles"]) * np.where(is_hot, HOT_TIMES, 1))


def some_places(places: Places, sites: Ints) -> Places:
    """The places of some sites only."""
    scanners = places.scanners[sites]
    return dataclasses.replace(
        places,
        stations=places.stations[sites],
        booths=places.booths[sites],
        scanners=scanners,
        rates=places.rates[sites],
        serving=places.serving[sites],
        scanning=places.scanning[sites],
        seeds=[places.seeds[s] for s in sites],
        pace=places.pace[sites],
        dark_from=places.dark_from[sites, : int(scanners.max(initial=0))],
        dark_until=places.dark_until[sites, : int(scanners.max(initial=0))],
    )


def start_particles(known: Known, places: Places, spread: Floats, sites: Ints, n: int) -> Array:
    """Particles before opening, drawn from the priors; `spread` is that of a site's own level in the log."""
    s, most = known.settings, int(places.scanners[sites].max(initial=0))
    odds = habits_of(s).compartment_odds
    z = np.zeros((HEAD + 2 * most, len(sites), n), np.float32)
    for k, site in enumerate(sites):
        rng = event_rng(places.seeds[site], 0, 0)
        drawn = rng.standard_normal((5, n))
        sd, burst = spread[site], s["lines.burst_sd"]
        mean = -(burst**2 + sd**2) / 2  # the county is pooled by sums: spread and bursts lift means above medians
        z[LOG_RATE, k] = mean + np.hypot(sd, burst) * drawn[0]
        know = sd**2 / max(sd**2 + burst**2, 1e-9)
        z[FACTOR, k] = mean + know * (z[LOG_RATE, k] - mean)
        z[DOUBT, k] = sd**2 * (1 - know)
        z[CHECKIN_LOG, k] = np.log(s["lines.checkin_minutes"]) + s["lines.checkin_sd"] * drawn[1]
        z[SCAN_LOG, k] = np.log(s["lines.scan_minutes"]) + s["lines.scan_sd"] * drawn[2]
        z[MARKING_LOG, k] = np.log(s["lines.marking_minutes"]) + s["lines.marking_sd"] * drawn[4]
        z[COMPARTMENT_ODDS, k] = odds + COMPARTMENT_SD * drawn[3]
        z[SHUT, k] = np.minimum(rng.random(n) < START_SHUT, places.stations[site, 0] - 1)
    return z


Move = Callable[[Array, Places, Habits, int, Draw], None]  # as stepping.step
Weigh = Callable[[weighing.Weighing, dict[str, list[NDArray[np.float64]]]], None]  # as weigh_minute


def replay(
    z: Array, places: Places, habits: Habits, tables: dict[str, Rows], column: int, move: Move | None = None,
    weigh: Weigh | None = None, split: NDArray[np.bool_] | None = None, checkin_rows: Ints = CHECKIN_ROWS,
    begun: checkpoints.Begun | None = None, keep: checkpoints.Keeper | None = None,
) -> None:  # fmt: skip
    """Step and weigh minute by minute, up to and with `column`; ends with equal weights.

    `begun` says where the states come from, if not from before column 0; `keep` is shown them at each checkpoint.

    `move` and `weigh` stand in for `step` and `weigh_minute` where something is to be kept beside (`waits.py`); further
    rows of z, after the scanners' own, are resampled along, those in `checkin_rows` with check-in's. Where `split`
    (sites x minutes) says so, the state up to check-in and the state beyond are weighed and resampled apart (Rebeschini
    & van Handel 2015): given the check-ins that poll books report, one says next to nothing of the other, and each
    keeps more particles.
    """
    speeds = Speeds(z)
    move, weigh = move or functools.partial(step, speeds=speeds), weigh or weigh_minute
    begun = begun or checkpoints.Begun(z)
    logw, was = begun.logw, begun.is_apart
    apart = np.zeros((z.shape[1], column + 1), bool) if split is None else split
    draws = Draws(places.seeds, z.shape[2], places.scanners, purpose=1)
    for at in range(begun.column, column + 1):
        minute = places.first_minute + at
        if checkpoints.is_one(at):
            halves.round_off(z[: HEAD + 2 * int(places.scanners.max(initial=0))], logw)
            speeds.changed(z, slice(None))
        if keep is not None:
            keep.note(at, z, logw, was)
        draw = draws.at(minute)
        if (turned := np.flatnonzero(apart[:, at] != was)).size:
            speeds.changed(z, even_out(z, logw, was, turned, places.seeds, minute + MANY, checkin_rows))
        was = apart[:, at]
        move(z, places, habits, at, draw)
        rows = {name: found.get(minute, []) for name, found in tables.items()}
        if minute % WINDOW_MINUTES == 0:
            forget_windows(z, rows["windows"])
            wander(z, places, habits, at)
            speeds.changed(z, slice(None))
        if not any(rows.values()):
            continue
        weigh(weighing.Weighing(z, logw, places, at, draw, was), rows)
        touched = np.unique(np.concatenate([group[0] for part in rows.values() for group in part])).astype(np.int64)
        logw[:, touched] -= logw[:, touched].max(axis=2, keepdims=True)
        thin = [touched[is_thin(part, touched)] for part in logw]
        speeds.changed(z, resample_parts(z, logw, was, thin, places.seeds, minute, checkin_rows))
    last = places.first_minute + column + 2 * MANY
    even_out(z, logw, was, np.arange(z.shape[1]), places.seeds, last, checkin_rows)


def even_out(
    z: Array, logw: Floats, split: NDArray[np.bool_], sites: Ints, seeds: list[int], minute: int, checkin_rows: Ints
) -> Ints:
    """Equal weights at the given sites; gives those that were resampled for it."""
    uneven = [sites[np.ptp(part[sites], axis=1) > 0] for part in logw]
    return resample_parts(z, logw, split, uneven, seeds, minute, checkin_rows)


def resample_parts(
    z: Array, logw: Floats, split: NDArray[np.bool_], sites: list[Ints], seeds: list[int], minute: int,
    checkin_rows: Ints,
) -> Ints:  # fmt: skip
    """Resample the state up to check-in at sites[0] and the rest at sites[1]; both as one where they are not apart.

    Gives the sites of which anything was resampled.
    """
    whole = sites[0][~split[sites[0]]]
    if len(whole):
        resample(z, logw[0], whole, seeds, minute)
        logw[1, whole] = 0.0
    beyond = np.setdiff1d(np.arange(len(z)), checkin_rows)
    for part, own, rows in zip(logw, sites, (checkin_rows, beyond), strict=True):
        if len(mine := own[split[own]]):
            resample(z, part, mine, seeds, minute, rows)
    return np.union1d(*sites)


def forget_windows(z: Array, heard: list[NDArray[np.float64]]) -> None:
    """Start new windows where none was heard; the others carry their misfit over when they are weighed."""
    for line, row in ((0, WINDOW), (1, SCANNED)):
        silent = np.ones(z.shape[1], bool)
        for group in heard:
            silent[group[0, group[1] == line].astype(np.int64)] = False
        z[row, silent] = 0
        if line == 0:
            z[PASSED, silent] = 0


def wander(z: Array, places: Places, habits: Habits, column: int) -> None:
    """A window's change of the share that uses the emergency compartment, where a scanner is at work.

    Its log odds return to those of all sites: an autoregression that keeps the prior's spread. Were it fixed, hours of
    resampling without a stop, from which nothing is learnt of it, would leave the heirs of a few values by chance: too
    sure of one that was never seen. During a stop the share holds, so that it can be learnt, and does not average out.
    """
    keep, minute = np.exp(-WINDOW_MINUTES / COMPARTMENT_MINUTES), places.first_minute + column
    fresh = normals(drawn(places.seeds, WANDERING, minute, 1, z.shape[2])[:, 0])
    usual, spread = np.float32(habits.compartment_odds), np.float32(COMPARTMENT_SD * np.sqrt(1 - keep**2))
    wandered = usual + np.float32(keep) * (z[COMPARTMENT_ODDS] - usual) + spread * fresh
    is_up = weighing.scanners_up(z, places, column) > 0
    z[COMPARTMENT_ODDS] = np.where(is_up, wandered, z[COMPARTMENT_ODDS])


def weigh_minute(w: weighing.Weighing, rows: dict[str, list[NDArray[np.float64]]]) -> None:
    """Weigh everything that occurred in one minute."""
    for group in rows["moves"]:
        for site, is_end in group.T:
            weighing.move(w, int(site), bool(is_end))
    for group in rows["calls"]:
        for site, slot, *flags in group.T:
            weighing.weigh_call(w, int(site), int(slot), *(bool(flag) for flag in flags))
    for group in rows["scans"]:
        weighing.weigh_scans(w, group)
    for group in rows["windows"]:
        for line in (0, 1):
            mine = group[:, group[1] == line]
            if mine.shape[1]:
                site, idle = mine[0].astype(np.int64), mine[5].astype(np.int64)
                weighing.weigh_windows(w, site, line, mine[2], mine[3], mine[4], idle)
    for group in rows["counts"]:
        for site, line, count, is_call in group.T:
            weighing.weigh_count(w, int(site), int(line), float(count), bool(is_call))
