"""What the filter looks at, minute by minute: counters, poll books, head counts and calls as plain arrays.

Every row here had been received by T, and stands at the minute at which it occurred. Minutes count from midnight,
local time, of election day. A counter's odd step is unseen here; `estimates/counters.py` works out what it stands for.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, time
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.estimates.lines.filter import Places

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Spans = list[list[tuple[float, float, float, float]]]  # per site: from, to [min], part of the site seen, voters

SCANNER_TYPES = ("scan-single", "electronic-cast-paper")
POLL_BOOK_TYPES = ("electronic-poll-book",)
UNEVEN_BOOKS, UNEVEN_SCANNERS = 0.15, 0.35  # how unevenly units share the voters: part of the unseen; our choice
ELSEWHERE = 0.02  # part of the voters served that no unit counts, or that it counts twice; our choice
UNSEEN_NOISE = 0.6  # variance for each voter whom an unseen unit served [count]; our choice
WATCHED_SHARE = 0.6  # of the poll books seen, so that check-in is known without the scanners; our choice
WINDOW_MINUTES = 10  # poll books' counts are compared over windows of this length [min]
GAP_MINUTES = 32.0  # a running total is interpolated across no longer silence [min]; our choice
MOST_BALLOTS_PER_MINUTE = 12.0  # faster than any hand feeds sheets: a jump of the counter [1/min]; our choice
MOST_CHECKINS_PER_MINUTE = 6.0  # likewise for one poll book [1/min]; our choice
IDLE = 0.5  # a unit with fewer in a window did nothing [count]
BALLOT_WEIGHT = 0.999  # marks spans seen by ballots; one scanner of several stands for its part of the voters
TEST_BALLOTS = 300  # a first report above this may carry over from another day or a test [count]; our choice
FAULT, PAUSED, WELL, CLOSED, UNSAID = 0, 1, 2, 3, 4
STATE_CODES = {"fault": FAULT, "paused": PAUSED, "ready": WELL, "scanning": WELL, "closed": CLOSED}


@dataclass(frozen=True)
class Roster:
    """The sites in order of their id, as arrays. Times in minutes after local midnight."""

    site_ids: list[str]
    expected: Floats
    stations: Ints
    booths: Ints
    scanners: list[list[str]]
    poll_books: list[list[str]]
    opens: Ints
    closes: Ints
    service_from: Ints
    last_voter: Floats
    notes: list[list[str]]


@dataclass(frozen=True)
class Observations:
    """Rows by minute; each table is sorted by minute, then site."""

    scans: pl.DataFrame
    windows: pl.DataFrame
    counts: pl.DataFrame
    calls: pl.DataFrame
    seen: Floats
    seen_spans: Spans
    moves: pl.DataFrame  # of the place, by order


def midnight(known: Known) -> datetime:
    """Local midnight at which election day begins."""
    return datetime.combine(known.county.election_day, time(), tzinfo=ZoneInfo(known.county.zone))


def minute_of(column: str, known: Known) -> pl.Expr:
    """A time column as minutes after local midnight, a float."""
    start = int(midnight(known).timestamp() * 1e6)
    return (pl.col(column).dt.epoch("us") - start) / 60e6


def roster(known: Known) -> Roster:
    """The sites and what stands there; what is missing is filled in, and said in `notes`."""
    sites = known.sites.sort("site_id").with_columns(
        opens_minute=minute_of("opens_at", known), closes_minute=minute_of("closes_at", known)
    )
    steps = step_minutes(known)
    units = known.units.filter((pl.col("role") != "spare") | pl.col("role").is_null()).sort("unit_id")
    scanners, books = units_at(units, SCANNER_TYPES), units_at(units, POLL_BOOK_TYPES)
    filled = [
        site_facts(row, scanners.get(row["site_id"], []), books.get(row["site_id"], []), steps.get(row["site_id"], {}))
        for row in sites.to_dicts()
    ]

    def column(name: str) -> list[float]:
        return [facts[name] for facts in filled]

    return Roster(
        sites["site_id"].to_list(),
        np.array(column("expected"), float),
        np.array(column("stations"), np.int64),
        np.array(column("booths"), np.int64),
        [facts["scanners"] for facts in filled],
        [facts["poll_books"] for facts in filled],
        np.array(column("opens"), np.int64),
        np.array(column("closes"), np.int64),
        np.array(column("service_from"), np.int64),
        np.array(column("last_voter"), float),
        [facts["notes"] for facts in filled],
    )


def units_at(units: pl.DataFrame, types: Collection[str]) -> dict[str | None, list[str]]:
    """Site -> its units of some types, in the order in which they stand."""
    own = units.filter(pl.col("type").is_in(list(types))).group_by("site_id", maintain_order=True)
    return dict(own.agg("unit_id").iter_rows())


def site_facts(row: dict, scanners: list[str], books: list[str], steps: dict[str, float]) -> dict:
    """One site's facts, with a note for each that had to be assumed."""
    opens, closes = round(row["opens_minute"]), round(row["closes_minute"])
    notes: list[str] = []
    expected, stations, booths = row["expected_voters"] or 0.0, row["checkin_stations"] or 0, row["booths"] or 0
    if expected <= 0:
        expected = max(0.2 * (row["registered"] or 0), 10.0)
        notes.append("no expected voters on the roster: a guess stands in")
    if stations <= 0:
        stations = max(1, len(books))
        notes.append("no check-in stations on the roster: " + ("its poll books" if books else "one") + " assumed")
    if booths <= 0:
        booths = 10_000
        notes.append("no booths on the roster: taken as no limit")
    if closes <= opens:
        notes.append("closes before it opens: no voting assumed")
    if not scanners:
        notes.append("no scanner on the roster")
    return {
        "expected": expected,
        "stations": stations,
        "booths": booths,
        "scanners": scanners,
        "poll_books": books,
        "opens": opens,
        "closes": closes,
        "service_from": round(min(max(steps.get("open", opens), opens - 30), closes)),
        "last_voter": steps.get("last-voter", np.inf),
        "notes": notes,
    }


def step_minutes(known: Known) -> dict[str, dict[str, float]]:
    """Site -> milestone -> minute at which it was last reported; of openings the first."""
    rows = known.milestones.with_columns(minute=minute_of("at", known))
    order = pl.when(pl.col("milestone") == "open").then(-pl.col("minute")).otherwise("minute")
    found: dict[str, dict[str, float]] = {}
    for site_id, milestone, minute in rows.sort(order).select("site_id", "milestone", "minute").iter_rows():
        found.setdefault(site_id, {})[milestone] = minute
    return found


def observe(
    known: Known, roster: Roster, counted: pl.DataFrame, called: pl.DataFrame, moves: pl.DataFrame
) -> Observations:
    """Everything that was observed by T; `counted` and `called` are what people say (`told.py`)."""
    status = running_totals(known, roster)
    through, scans = windows(status, roster), scan_deltas(status)
    return Observations(scans, through, counted, called, *let_through(through, scans, roster), moves)


def running_totals(known: Known, roster: Roster) -> pl.DataFrame:
    """Status reports of the sites' scanners and poll books: site, slot (place in the site's list), minute, total."""
    places = [
        (unit, site, slot, kind)
        for kind, lists in (("scanner", roster.scanners), ("book", roster.poll_books))
        for site, units in enumerate(lists)
        for slot, unit in enumerate(units)
    ]
    schema = {"unit_id": pl.String, "site": pl.Int64, "slot": pl.Int64, "kind": pl.String}
    keyed = known.status.join(pl.DataFrame(places, schema=schema, orient="row"), on="unit_id")
    total = pl.when(pl.col("kind") == "book").then(pl.col("checkins")).otherwise(pl.col("ballots_counted"))
    opens = pl.Series(roster.opens, dtype=pl.Int64)
    return (
        keyed.with_columns(minute=minute_of("occurred_at", known), total=total.cast(pl.Float64))
        .with_columns(opens=opens.gather(keyed["site"]))
        .select("kind", "site", "slot", "minute", "sequence", "total", "state", "opens")
        .sort("kind", "site", "slot", "minute", "sequence", "total", "state")
    )


def scan_deltas(status: pl.DataFrame) -> pl.DataFrame:
    """Each scanner report with the ballots since the one before; null after a reset or a jump.

    The first report counts from nought at opening, unless its total is too large for that.
    """
    by = ["site", "slot"]
    rows = status.filter(pl.col("kind") == "scanner").with_columns(
        before=pl.col("total").shift().over(by), since=pl.col("minute").shift().over(by)
    )
    first = pl.col("since").is_null()
    small = (pl.col("minute") >= pl.col("opens")) & (pl.col("total") <= TEST_BALLOTS)
    rows = rows.with_columns(
        before=pl.when(first).then(pl.when(small).then(0.0)).otherwise("before"),
        since=pl.when(first).then(pl.col("opens").cast(pl.Float64)).otherwise("since"),
    )
    rows = rows.with_columns(delta=pl.col("total") - pl.col("before"), span=pl.col("minute") - pl.col("since"))
    possible = (pl.col("delta") >= 0) & (pl.col("delta") <= 15 + MOST_BALLOTS_PER_MINUTE * pl.col("span"))
    state = pl.col("state").replace_strict(STATE_CODES, default=UNSAID, return_dtype=pl.Int64)
    return rows.select(
        minute=pl.col("minute").floor().cast(pl.Int64), site="site", slot="slot",
        delta=pl.when(possible).then("delta"), span=pl.col("span").clip(0, 1440), state=state,
    ).sort("minute", "site", "slot", maintain_order=True)  # fmt: skip


def windows(status: pl.DataFrame, roster: Roster) -> pl.DataFrame:
    """Voters let through in each window: at check-in by the poll books, at the scanners where there are several.

    Running totals are interpolated. A unit that is silent or jumps in a window counts as unseen there. Columns: minute
    (end of the window), site, line, span [min], total (scaled up to all units), share (of the units seen), noise
    (variance of the misfit), carried (part of it that belongs into the next window), idle (units seen that did nothing,
    -1 where not all were seen, or a station has no poll book of its own).
    """
    rows: list[tuple[int, int, int, float, float, float, float, float, int]] = []
    for (kind, site), mine in status.filter(pl.col("total").is_not_null()).group_by(
        "kind", "site", maintain_order=True
    ):
        at, is_book = int(site), kind == "book"
        units = max(int(roster.stations[at]), len(roster.poll_books[at])) if is_book else len(roster.scanners[at])
        if is_book or units > 1:
            uneven = UNEVEN_BOOKS if is_book else UNEVEN_SCANNERS
            one_each = not is_book or len(roster.poll_books[at]) == roster.stations[at]
            for end, *rest in site_windows(mine, units, int(roster.opens[at]), uneven, one_each):
                rows.append((int(end), at, 0 if is_book else 1, *rest))  # type: ignore[arg-type]
    schema = {"minute": pl.Int64, "site": pl.Int64, "line": pl.Int64, "span": pl.Float64, "total": pl.Float64}
    schema |= {"share": pl.Float64, "noise": pl.Float64, "carried": pl.Float64, "idle": pl.Int64}
    return pl.DataFrame(rows, schema=schema, orient="row").sort("minute", "site", "line")


def site_windows(
    mine: pl.DataFrame, units: int, opens: int, uneven: float, one_each: bool
) -> list[tuple[int, float, float, float, float, float, int]]:
    """A site's windows for one line: end, span, total, share, noise, carried, idle."""
    totals = [(m["minute"].to_numpy(), m["total"].to_numpy()) for _, m in mine.group_by("slot", maintain_order=True)]
    grid = window_grid(float(opens), np.array([minute[-1] for minute, _ in totals]))
    if len(grid) < 2:
        return []
    steps = np.array([window_steps(minute, total, grid, float(opens)) for minute, total in totals])
    valid = np.isfinite(steps)
    edges = np.sum([edge_noise(minute, total, grid) for minute, total in totals], axis=0)
    share = valid.sum(axis=0) / units
    total = np.nansum(steps, axis=0) / np.maximum(share, 1e-9)
    noise, carried = misfits(total, share, edges, uneven)
    rows = []
    for k in np.flatnonzero(valid.any(axis=0)):
        idle = int((steps[:, k] < IDLE).sum()) if share[k] == 1 and one_each else -1
        rows.append(
            (int(grid[k + 1]), float(grid[k + 1] - grid[k]), float(total[k]), float(share[k]), float(noise[k]),
             float(carried[k]), idle)
        )  # fmt: skip
    return rows


def edge_noise(minute: Floats, total: Floats, grid: Floats) -> Floats:
    """Variance of one unit's interpolated total at each edge: of n voters between two reports, a binomial part came."""
    after = np.clip(np.searchsorted(minute, grid, side="left"), 1, max(len(minute) - 1, 1))
    if len(minute) < 2:
        return np.zeros(len(grid))
    start, number = minute[after - 1], np.clip(total[after] - total[after - 1], 0, 200)
    part = np.clip((grid - start) / np.maximum(minute[after] - start, 1e-9), 0, 1)
    return np.asarray(number * part * (1 - part))


def misfits(total: Floats, share: Floats, edges: Floats, uneven: float) -> tuple[Floats, Floats]:
    """Variance of each window's misfit, and the part of it to carry over.

    Running totals do not drift: what interpolation took from one window it gives to the next. Only what no unit
    counts, or units unseen counted, is lost for good. That is a local level in noise; its Kalman gain is the part lost.
    """
    noise, carried = np.ones(len(total)), np.zeros(len(total))
    level = None
    for k in range(len(total)):
        if share[k] <= 0:
            level = None
            continue
        scaled = 1 / max(share[k], 0.05)
        unseen = total[k] * (1 - share[k])
        lost = ELSEWHERE * total[k] + UNSEEN_NOISE * unseen * scaled + (uneven * unseen) ** 2
        level = (edges[k] * scaled if level is None else level) + lost
        noise[k] = 1 + level + edges[k + 1] * scaled
        carried[k] = 1 - level / noise[k]
        level *= carried[k]
    return noise, carried


def watched(seen: Observations, places: Places, sites: Ints) -> NDArray[np.bool_]:
    """Minutes at which poll books show a site's check-ins: sites x minutes."""
    found = np.zeros((len(sites), places.rates.shape[1]), bool)
    place = {int(site): k for k, site in enumerate(sites)}
    table = seen.windows.filter((pl.col("line") == 0) & (pl.col("share") >= WATCHED_SHARE))
    for end, site, span in table.select("minute", "site", "span").iter_rows():
        if site in place:
            last = end - places.first_minute
            found[place[site], max(int(last - span) + 1, 0) : max(last + 1, 0)] = True
    return found


def window_grid(opens: float, last: Floats) -> Floats:
    """Ends of the windows from opening on; the newest ends where half of the books have been heard."""
    start = opens - opens % WINDOW_MINUTES
    newest = np.floor(np.median(last))
    grid = np.arange(start, max(newest, start) + 1, WINDOW_MINUTES, dtype=np.float64)
    return np.append(grid, newest) if newest >= grid[-1] + 3 else grid


def window_steps(minute: Floats, total: Floats, grid: Floats, opens: float) -> Floats:
    """One poll book's check-ins in each window of the grid; NaN where it was silent, was reset or jumped."""
    if minute[0] > opens and total[0] <= TEST_BALLOTS:
        minute, total = np.concatenate([[opens], minute]), np.concatenate([[0.0], total])
    inside = np.interp(grid, minute, total)
    after = np.searchsorted(minute, grid, side="left")
    covered = (grid >= minute[0]) & (grid <= minute[-1])
    gap = np.where(covered, minute[np.clip(after, 0, len(minute) - 1)] - minute[np.clip(after - 1, 0, None)], np.inf)
    steps = np.diff(inside)
    good = (gap[:-1] <= GAP_MINUTES) & (gap[1:] <= GAP_MINUTES)
    good &= (steps >= 0) & (steps <= 5 + MOST_CHECKINS_PER_MINUTE * WINDOW_MINUTES)
    return np.where(good, steps, np.nan)


def let_through(windows: pl.DataFrame, scans: pl.DataFrame, roster: Roster) -> tuple[Floats, Spans]:
    """Voters let through at each site, and when they were seen: by poll books, else by the scanners' ballots."""
    seen = np.zeros(len(roster.site_ids))
    spans: Spans = [[] for _ in roster.site_ids]
    for end, site, span, total in (
        windows.filter(pl.col("line") == 0).select("minute", "site", "span", "total").iter_rows()
    ):
        seen[site] += total
        spans[site].append((end - span, float(end), 1.0, total))
    for end, site, span, delta in scans.drop_nulls("delta").select("minute", "site", "span", "delta").iter_rows():
        if not roster.poll_books[site] or not any(span[2] == 1.0 for span in spans[site]):
            seen[site] += delta
            spans[site].append((end - span, float(end), BALLOT_WEIGHT / max(len(roster.scanners[site]), 1), delta))
    return seen, spans


def site_index(roster: Roster) -> pl.DataFrame:
    """site_id -> its place in the roster."""
    ids = roster.site_ids
    return pl.DataFrame({"site_id": ids, "site": range(len(ids))}, schema={"site_id": pl.String, "site": pl.Int64})
