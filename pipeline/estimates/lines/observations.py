"""What the filter looks at, minute by minute: counters, poll books, head counts and calls as plain arrays.

Every row here had been received by T, and stands at the minute at which it occurred. Minutes count from midnight,
local time, of election day. A counter's odd step is unseen here; `estimates/counters.py` works out what it stands for.
"""

import dataclasses
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.estimates.lines import windows
from pipeline.estimates.lines.filter import Places

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SCANNER_TYPES = ("scan-single", "electronic-cast-paper")
POLL_BOOK_TYPES = ("electronic-poll-book",)
WATCHED_SHARE = 0.6  # of the poll books seen, so that check-in is known without the scanners; our choice
MOST_BALLOTS_PER_MINUTE = 12.0  # faster than any hand feeds sheets: a jump of the counter [1/min]; our choice
BALLOT_WEIGHT = 0.999  # marks spans seen by ballots; one scanner of several stands for its part of the voters
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

    def of(self, sites: Ints) -> "Roster":
        """Some of the sites only."""
        cut: dict[str, Any] = {}
        for field in dataclasses.fields(self):
            value = getattr(self, field.name)
            cut[field.name] = [value[s] for s in sites] if isinstance(value, list) else value[sites]
        return Roster(**cut)


@dataclass(frozen=True)
class Observations:
    """Rows by minute; each table is sorted by minute, then site."""

    scans: pl.DataFrame
    windows: pl.DataFrame
    counts: pl.DataFrame
    calls: pl.DataFrame
    through: pl.DataFrame  # voters let through: what the county's day is learnt from
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
    books, scanners = (np.array([len(u) for u in units], np.int64) for units in (roster.poll_books, roster.scanners))
    scans, found = scan_deltas(status), windows.windows(status, roster.stations, books, scanners, roster.opens)
    return Observations(scans, found, counted, called, let_through(found, scans, roster), moves)


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
    small = (pl.col("minute") >= pl.col("opens")) & (pl.col("total") <= windows.TEST_BALLOTS)
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


def let_through(found: pl.DataFrame, scans: pl.DataFrame, roster: Roster) -> pl.DataFrame:
    """Voters let through and when, by poll books, else by the scanners' ballots: site, start, end, weight, number.

    The weight is the part of the site that was seen: 1 by poll books, `BALLOT_WEIGHT` by the part of its scanners else.
    """
    books = found.filter(pl.col("line") == 0).select("site", "span", end="minute", number="total", weight=pl.lit(1.0))
    scanners = pl.Series([max(len(units), 1) for units in roster.scanners], dtype=pl.Int64)
    ballots = scans.drop_nulls("delta").join(
        books.select("site").unique(), on="site", how="anti", maintain_order="left"
    )
    ballots = ballots.select(
        "site", "span", end="minute", number="delta", weight=BALLOT_WEIGHT / scanners.gather(ballots["site"])
    )
    rows = pl.concat([books, ballots], how="vertical_relaxed").with_columns(pl.col("end").cast(pl.Float64))
    return rows.select("site", "end", "weight", "number", start=pl.col("end") - pl.col("span")).sort(
        "site", maintain_order=True
    )


def site_index(roster: Roster) -> pl.DataFrame:
    """site_id -> its place in the roster."""
    ids = roster.site_ids
    return pl.DataFrame({"site_id": ids, "site": range(len(ids))}, schema={"site_id": pl.String, "site": pl.Int64})
