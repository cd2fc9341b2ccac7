"""Units' own reports: when each was last heard of, whether its clock is right, and what is odd about its counts."""

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.failures.exposure import Ledger


def reports(known: Known, ledger: Ledger) -> pl.DataFrame:
    """One row a rostered unit: contract `Reports`.

    Numbers repeat when a unit was restarted or another unit goes by its id, and are missing when reports were lost or
    are still on their way; neither is a fault of a row, so both are marked here and refused nowhere.
    """
    heard = (
        known.status.group_by("unit_id")
        .agg(
            reports=pl.len(),
            last_at=pl.col("occurred_at").max(),
            last_received_at=pl.col("received_at").max(),
            clock_offset_minutes=pl.col("clock_offset_minutes").first(),
            repeated_numbers=pl.len() - pl.col("sequence").n_unique(),
            missing_numbers=missing_numbers(),
        )
        .join(ledger.exposures.select("unit_id", "oddities"), on="unit_id", how="left")
    )
    silent = (known.at - pl.col("last_received_at")).dt.total_seconds() / 60
    return (
        known.units.select("unit_id", "site_id")
        .join(heard, on="unit_id", how="left")
        .with_columns(
            pl.col("reports", "repeated_numbers", "missing_numbers").fill_null(0).cast(pl.Int64),
            silent_minutes=silent.clip(lower_bound=0),
        )
        .with_columns(basis=basis())
        .drop("oddities")
        .sort("unit_id")
    )


def missing_numbers() -> pl.Expr:
    """How many numbers lie between a unit's reports and never came, counted within each run of the numbers.

    A number that falls begins a new run, so a restart leaves no gap behind.
    """
    number = pl.col("sequence").sort_by("occurred_at", "sequence")
    step = number.diff()
    return pl.when(step > 1).then(step - 1).otherwise(0).sum()


def basis() -> pl.Expr:
    """What is known of a unit's reports, in words."""
    offset = pl.col("clock_offset_minutes")
    clock = pl.when(offset.fill_null(0.0) != 0.0).then(
        pl.format(
            "its clock is {} min {}: its times are corrected, and kept as they came",
            offset.abs().round(0).cast(pl.Int64),
            pl.when(offset > 0).then(pl.lit("ahead")).otherwise(pl.lit("behind")),
        )
    )
    repeated = pl.when(pl.col("repeated_numbers") > 0).then(
        pl.format("{} report number(s) repeat: a restart, or another unit under this id", "repeated_numbers")
    )
    missing = pl.when(pl.col("missing_numbers") > 0).then(
        pl.format("{} report(s) never came, or not yet", "missing_numbers")
    )
    told = pl.concat_str([clock, repeated, missing, pl.col("oddities")], separator="; ", ignore_nulls=True)
    return (
        pl.when(pl.col("reports") == 0)
        .then(pl.lit("no report yet"))
        .when(told == "")
        .then(pl.lit("nothing odd"))
        .otherwise(told)
    )
