"""What forecasts are held against: the last count carried forward, and the roster alone; counts matched to times."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.contracts import events
from pipeline.contracts.known import Known, empty
from pipeline.estimates.lines.ahead import outlook
from pipeline.estimates.lines.grading import LONG, NUMBERS
from pipeline.estimates.lines.lines import line_states
from pipeline.estimates.lines.observations import POLL_BOOK_TYPES, SCANNER_TYPES
from pipeline.estimates.lines.replay import LEAD
from pipeline.estimates.lines.told import SITE_SURE

EMPTIED = ("tickets", "status", "power_notes", "outages", "line_counts", "milestones", "reconciliation", "entries")
AFTER_STOP = timedelta(minutes=60)  # a count within this after a stop's end belongs to it [min]; our choice
KEYS = ("site_id", "line", "stamp")
REFERENCE: dict[str, pl.DataType] = {"site_id": pl.String(), "line": pl.String(), "stamp": pl.Datetime("us", "UTC")}
REFERENCE |= {name: pl.Float64() for name in NUMBERS}


def led(frame: pl.DataFrame, who: str) -> pl.DataFrame:
    """A forecaster's rows with its name before the figures."""
    return frame.select(*KEYS, *[pl.col(name).alias(f"{who}.{name}") for name in NUMBERS])


def roster_only(known: Known, stamps: Sequence[datetime]) -> pl.DataFrame:
    """The lines at each time as the roster alone lets expect: the same model, nothing received on the day.

    Its particles start before the first opening and run on without being weighed.
    """
    start = known.sites["opens_at"].min()
    if not isinstance(start, datetime):
        return pl.DataFrame(schema=REFERENCE)
    start = min(start - timedelta(minutes=LEAD), min(stamps) - timedelta(minutes=1))
    bare = replace(known, at=start, **{name: getattr(known, name).clear() for name in EMPTIED})
    states = line_states(bare, empty(events.TicketReadings), empty(events.SupplyStates))
    minutes = sorted({max(round((stamp - start).total_seconds() / 60), 1) for stamp in stamps})
    ahead = outlook(states, tuple(minutes)).with_columns(stamp=pl.col("at"))
    return ahead.select(*KEYS, *NUMBERS)


def last_counts(known: Known, roster: pl.DataFrame, stamp: datetime) -> pl.DataFrame:
    """The last head count of each line received by T, carried forward; the roster's row until there is one."""
    counted = pl.concat(
        known.line_counts.select("site_id", "at", line=pl.lit(line), count=pl.col(f"{line}_line").cast(pl.Float64))
        for line in ("checkin", "scanner")
    ).drop_nulls()
    last = counted.sort("at", "count").group_by("site_id", "line", maintain_order=True).last()
    service = pl.when(pl.col("line") == "checkin").then(known.settings["lines.checkin_minutes"] / pl.col("stations"))
    wait = pl.col("count") * service.otherwise(known.settings["lines.scan_minutes"] / pl.col("scanners"))
    frame = last.join(served_by(known), on="site_id").with_columns(wait=wait)
    point = frame.select(
        "site_id", "line", stamp=pl.lit(stamp, pl.Datetime("us", "UTC")), waiting_mean="count", waiting_median="count",
        waiting_low="count", waiting_high="count", wait_minutes_median="wait",
        chance_over_30=(pl.col("wait") > LONG).cast(pl.Float64),
    )  # fmt: skip
    prior = roster.filter(pl.col("stamp") == stamp).join(point, on=["site_id", "line"], how="anti")
    flat = prior.with_columns(
        waiting_mean="waiting_median", waiting_low="waiting_median", waiting_high="waiting_median"
    )
    return pl.concat([point, flat.select(point.columns)])


def served_by(known: Known) -> pl.DataFrame:
    """Stations and scanners of every site, at least one."""
    scanners = known.units.filter(pl.col("type").is_in(SCANNER_TYPES)).group_by("site_id").agg(scanners=pl.len())
    frame = known.sites.select("site_id", stations="checkin_stations").join(scanners, on="site_id", how="left")
    return frame.with_columns(pl.col("stations", "scanners").fill_null(1).clip(lower_bound=1))


def matched(counts: pl.DataFrame, stamps: Sequence[datetime], within: timedelta) -> pl.DataFrame:
    """The counts with the time asked for that is nearest, if near enough; of several, the nearest."""
    asked = pl.DataFrame({"stamp": sorted(stamps)}, schema={"stamp": pl.Datetime("us", "UTC")})
    asked = asked.with_columns(at=pl.col("stamp"))
    near = counts.sort("at").join_asof(asked, on="at", strategy="nearest", tolerance=within)
    off = (pl.col("at") - pl.col("stamp")).abs()
    near = near.filter(pl.col("stamp").is_not_null()).sort(*KEYS, off, "at")
    return near.unique(list(KEYS), keep="first", maintain_order=True)


def grouped(rows: pl.DataFrame, known: Known, stops: pl.DataFrame) -> pl.DataFrame:
    """The counts with the groups that each belongs to: `is_long`, `is_stopped`, `is_silent`."""
    reporting = known.units.join(known.status.select("unit_id").unique(), on="unit_id")["site_id"]
    keyed = rows.with_row_index("place")
    spans = keyed.join(stops, on=["site_id", "line"])
    end = pl.col("ended_at").fill_null(pl.col("stamp")) + AFTER_STOP
    hit = spans.filter((pl.col("started_at") <= pl.col("stamp")) & (pl.col("stamp") <= end))["place"]
    return keyed.with_columns(
        is_long=pl.col("waiting") > LONG,
        is_stopped=pl.col("place").is_in(hit.implode()),
        is_silent=~pl.col("site_id").is_in(reporting.drop_nulls().unique().implode()),
    ).drop("place")


def stops_told(known: Known, readings: pl.DataFrame) -> pl.DataFrame:
    """Stops of units as reports and tickets tell of them: used where nobody wrote stops down by hand."""
    serves = dict.fromkeys(SCANNER_TYPES, "scanner") | dict.fromkeys(POLL_BOOK_TYPES, "checkin")
    line = pl.col("type").replace_strict(serves, default=None, return_dtype=pl.String)
    units = known.units.select("unit_id", "site_id", line=line).drop_nulls()
    faults = known.status.filter(pl.col("state") == "fault").select("unit_id", started_at="occurred_at")
    reported = faults.join(units, on="unit_id").with_columns(ended_at=pl.col("started_at"))
    line = pl.col("category").replace_strict(
        {"scanner-down": "scanner", "memory-card": "scanner", "poll-book": "checkin"},
        default=None,
        return_dtype=pl.String,
    )
    told = known.tickets.select("ticket_id", started_at="opened_at", ended_at="resolved_at").join(
        readings, on="ticket_id"
    )
    told = told.with_columns(line=line).filter(pl.col("site_confidence") >= SITE_SURE)
    columns = ["site_id", "line", "started_at", "ended_at"]
    return pl.concat([reported.select(columns), told.select(columns)]).drop_nulls(["site_id", "line", "started_at"])


def together(counts: pl.DataFrame, forecasts: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """The counts with every forecaster's figures; null where one has none."""
    rows = counts
    for who, frame in forecasts.items():
        rows = rows.join(led(frame, who), on=list(KEYS), how="left")
    return rows


def regular(first: datetime, last: datetime, minutes: int) -> list[datetime]:
    """Times a fixed number of minutes apart, on whole multiples of it."""
    step = minutes * 60
    start = int(np.ceil(first.timestamp() / step)) * step
    return [datetime.fromtimestamp(t, first.tzinfo) for t in range(start, int(last.timestamp()) + 1, step)]
