"""Exposure: where a unit stood when, the ballots that it read and the hours that it was at work."""

from dataclasses import dataclass

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates import counters

READ = ["unit_id", "occurred_at", "sequence", "state", "cards", "power", "battery_percent", "checkins"]
READ += ["ballots_counted", "misfeeds", "jams"]
DARK_GAP_MINUTES = 45.0  # a unit on a low battery that is silent for longer was off meanwhile; our choice [min]
LOW_PERCENT = 25.0  # such a battery has at most so much left; our choice [%]


def stays(known: Known) -> pl.DataFrame:
    """Where each unit stood when: columns unit_id, site_id, from_at, until_at (nulls are open ends).

    The roster's earlier states tell of a move from when they were received; the first counts from before the day.
    """
    moved = known.moves.sort("unit_id", "from_at", "site_id", nulls_last=True)
    told = moved.with_columns(
        until_at=pl.col("from_at").shift(-1).over("unit_id"),
        from_at=pl.when(pl.col("unit_id").is_first_distinct()).then(None).otherwise("from_at"),
    )
    still = known.units.join(moved, on="unit_id", how="anti").select("unit_id", "site_id")
    none = pl.lit(None, pl.Datetime("us", "UTC"))
    return pl.concat(
        [
            told.select("unit_id", "site_id", "from_at", "until_at"),
            still.with_columns(from_at=none, until_at=none),
        ]
    )


def site_then(rows: pl.DataFrame, known: Known) -> pl.DataFrame:
    """Adds `site_id`: where the unit of each row stood at its time `at`."""
    if known.moves.is_empty():
        return rows.join(known.units.select("unit_id", "site_id"), on="unit_id", how="left")
    numbered = rows.with_row_index("nth")
    both = numbered.select("nth", "unit_id", "at").join(stays(known), on="unit_id", how="inner")
    there = (pl.col("from_at").is_null() | (pl.col("from_at") <= pl.col("at"))) & (
        pl.col("until_at").is_null() | (pl.col("at") < pl.col("until_at"))
    )
    found = both.filter(there).unique("nth").select("nth", "site_id")
    return numbered.join(found, on="nth", how="left").drop("nth")


@dataclass(frozen=True)
class Ledger:
    """What every sum about failures starts from, made once.

    `reports`: status reports by unit and time, with new_NAME and mark_NAME of each counter and `read`, the ballots read
    by then. `exposures`: a row a unit: exposure_ballots (null without a counter), exposure_hours (powered, site open),
    oddities in words.
    """

    reports: pl.DataFrame
    exposures: pl.DataFrame


def ledger(known: Known) -> Ledger:
    """The ledger of what is known."""
    own = known.status.join(known.units.select("unit_id"), on="unit_id", how="semi").select(READ)
    reports = counters.with_increments(own, "ballots_counted", "misfeeds", "jams", opens=counters.openings(known))
    total = pl.col("new_ballots_counted").cum_sum()
    before = pl.when(pl.col("unit_id") != pl.col("unit_id").shift()).then(total - pl.col("new_ballots_counted"))
    reports = reports.with_columns(read=(total - before.forward_fill().fill_null(0)).cast(pl.Float64))
    counted = (
        reports.filter(pl.col("ballots_counted").is_not_null())
        .group_by("unit_id")
        .agg(exposure_ballots=pl.col("new_ballots_counted").sum().cast(pl.Float64))
    )
    is_book = pl.col("type") == "electronic-poll-book"
    exposures = (
        known.units.select("unit_id", "site_id", "type", "role", "serial", "in_service")
        .join(counted, on="unit_id", how="left")
        .join(hours(known, reports), on="unit_id", how="left")
        .join(oddities(known, reports), on="unit_id", how="left")
        .with_columns(
            pl.col("exposure_hours").fill_null(0.0),
            exposure_ballots=pl.when((pl.col("exposure_ballots") > 0) & ~is_book).then("exposure_ballots"),
        )
        .sort("unit_id")
    )
    return Ledger(reports, exposures)


def with_exposure(events: pl.DataFrame, known: Known, exposures: pl.DataFrame) -> pl.DataFrame:
    """Adds `hours`: those that the unit had been at work by the time `at`, never more than it has by now [h].

    `site_id` of each row is where the unit then stood.
    """
    return (
        events.join(exposures.select("unit_id", "exposure_hours"), on="unit_id")
        .join(known.sites.select("site_id", "opens_at"), on="site_id", how="left")
        .with_columns(hours=((pl.col("at") - pl.col("opens_at")).dt.total_seconds() / 3600).fill_null(0.0))
        .with_columns(hours=pl.min_horizontal(pl.col("hours").clip(lower_bound=0), "exposure_hours"))
        .drop("opens_at", "exposure_hours")
    )


def hours(known: Known, reports: pl.DataFrame) -> pl.DataFrame:
    """Open hours of the sites that each unit stood at, up to T, less those that it was off: unit_id, exposure_hours."""
    place = stays(known).join(known.sites.select("site_id", "opens_at", "closes_at"), on="site_id")
    start = pl.max_horizontal("opens_at", "from_at")
    end = pl.min_horizontal("closes_at", "until_at", pl.lit(known.at))
    open_for = place.with_columns(h=((end - start).dt.total_seconds() / 3600).clip(lower_bound=0))
    return (
        open_for.group_by("unit_id")
        .agg(pl.col("h").sum())
        .join(off_hours(reports), on="unit_id", how="left")
        .select("unit_id", exposure_hours=(pl.col("h") - pl.col("off").fill_null(0.0)).clip(lower_bound=0))
    )


def off_hours(reports: pl.DataFrame) -> pl.DataFrame:
    """Hours that a unit was off: long silences that began on a low battery. Columns unit_id, off."""
    told = reports.select(
        "unit_id",
        gap=(pl.col("occurred_at").shift(-1) - pl.col("occurred_at")).dt.total_seconds() / 60,
        goes_on=pl.col("unit_id").shift(-1) == pl.col("unit_id"),
        is_low=(pl.col("power") == "battery") & (pl.col("battery_percent").fill_null(100.0) <= LOW_PERCENT),
    )
    return (
        told.filter(pl.col("goes_on") & pl.col("is_low") & (pl.col("gap") > DARK_GAP_MINUTES))
        .group_by("unit_id")
        .agg(off=pl.col("gap").sum() / 60)
    )


def oddities(known: Known, reports: pl.DataFrame) -> pl.DataFrame:
    """What is odd about a unit's counts or its place, in words: columns unit_id, oddities."""
    moved = (
        known.moves.sort("unit_id", "from_at", "site_id", nulls_last=True)
        .group_by("unit_id", maintain_order=True)
        .agg(where=pl.col("site_id").fill_null("the depot").str.join(" to "))
        .select("unit_id", oddities=pl.format("moved from {}: its exposure follows it", "where"))
    )
    names = ("ballots_counted", "misfeeds", "jams")
    parts = [counters.explained(reports, *names), counters.in_wrong_column(reports, known.units), moved]
    return pl.concat(parts).group_by("unit_id", maintain_order=True).agg(pl.col("oddities").str.join("; "))
