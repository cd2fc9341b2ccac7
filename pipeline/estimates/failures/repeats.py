"""Units that fail more often than their like, with partial pooling over the fleet.

Method and limits: docs/methods/repeats.md.
"""

import numpy as np
import polars as pl
from scipy import stats

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty
from pipeline.estimates.failures import faults as fault_events
from pipeline.estimates.failures import reliability

BALLOT_KINDS = ("misfeed", "jam", "scanner-jam")  # faults that come with sheets read, not with hours
LEAST_EVENTS = 10  # fewer faults of a type than this do not tell how its units differ; our choice [count]
OVER = 3.0  # the rate ratio that chance_over_3 asks about (contract section 5) [-]


def repeats(known: Known, faults: pl.DataFrame) -> pl.DataFrame:
    """Every rostered unit, ranked by its expected rate ratio to the fleet of its type."""
    if known.units.is_empty():
        return empty(estimates.Repeats)
    frame = with_expected(exposures(known), faults)
    frame = judged(
        pooled(frame), known.settings["repeats.false_discovery_rate"], known.settings["repeats.watch_chance"]
    )
    order = ["rate_ratio_mean", "faults", "unit_id"]
    ranked = frame.sort(order, descending=[True, True, False]).with_row_index("rank", offset=1)
    names = list(empty(estimates.Repeats).columns)
    return ranked.with_columns(pl.col("rank", "faults").cast(pl.Int64)).select(names)


def exposures(known: Known) -> pl.DataFrame:
    """A row a unit: exposure_ballots (null without a counter) and exposure_hours (open hours of its site up to T)."""
    counted = (
        fault_events.with_increments(known.status.filter(pl.col("ballots_counted").is_not_null()), "ballots_counted")
        .group_by("unit_id")
        .agg(exposure_ballots=pl.col("new_ballots_counted").sum().cast(pl.Float64))
    )
    end = pl.min_horizontal("closes_at", pl.lit(known.at))
    hours = ((end - pl.col("opens_at")).dt.total_seconds() / 3600).clip(lower_bound=0).fill_null(0.0)
    return (
        known.units.select("unit_id", "site_id", "type")
        .join(known.sites.select("site_id", "opens_at", "closes_at"), on="site_id", how="left")
        .join(counted, on="unit_id", how="left")
        .select("unit_id", "site_id", "type", "exposure_ballots", exposure_hours=hours)
        .with_columns(pl.when(pl.col("exposure_ballots") > 0).then("exposure_ballots"))
        .sort("unit_id")
    )


def with_expected(frame: pl.DataFrame, faults: pl.DataFrame) -> pl.DataFrame:
    """Adds `faults` and `expected_faults`: what the unit's exposure would bring at its fleet's rates.

    Faults that come with sheets are due by ballots read where a counter exists, the rest by open hours.
    """
    kinds = faults.group_by("unit_id").agg(
        by_ballots=pl.col("kind").is_in(list(BALLOT_KINDS)).sum().cast(pl.Float64), faults=pl.len().cast(pl.Int64)
    )
    frame = (
        frame.join(kinds, on="unit_id", how="left")
        .with_columns(pl.col("faults", "by_ballots").fill_null(0), has_counter=pl.col("exposure_ballots").is_not_null())
        .with_columns(by_ballots=pl.when("has_counter").then("by_ballots").otherwise(0.0))
        .with_columns(by_hours=pl.col("faults") - pl.col("by_ballots"))
    )
    fleet = ["type", "has_counter"]
    ballots, hours = pl.col("exposure_ballots").fill_null(0.0), pl.col("exposure_hours")
    due_ballots = ballots * rate(pl.col("by_ballots"), ballots).over(fleet)
    due_hours = hours * rate(pl.col("by_hours"), hours).over(fleet)
    return frame.with_columns(expected_faults=due_ballots + due_hours)


def rate(faults: pl.Expr, exposure: pl.Expr) -> pl.Expr:
    """Faults per unit of exposure in a fleet; nought where there is no exposure."""
    return pl.when(exposure.sum() > 0).then(faults.sum() / exposure.sum()).otherwise(0.0)


def pooled(frame: pl.DataFrame) -> pl.DataFrame:
    """Adds the rate ratio's posterior (mean, 5 %, 95 %, chance over 3) and the Poisson tail `p_value`.

    The ratio's prior is a gamma, fitted by maximum likelihood to the units of a type, scaled to a mean of one. A type
    with fewer than `LEAST_EVENTS` faults takes the spread of the whole fleet: its own would be a guess.
    """
    everyone = reliability.gamma_poisson_fit(frame["faults"].to_numpy(), frame["expected_faults"].to_numpy())
    parts = []
    for _, fleet in sorted(frame.group_by("type"), key=lambda item: str(item[0])):
        n, due = fleet["faults"].to_numpy().astype(float), fleet["expected_faults"].to_numpy()
        shape, _ = reliability.gamma_poisson_fit(n, due) if n.sum() >= LEAST_EVENTS else everyone
        # Mean ratio one by definition (rate equal to shape): the fleet is its own yardstick.
        ratio = stats.gamma(shape + n, scale=1 / (shape + due))
        parts.append(
            fleet.with_columns(
                rate_ratio_mean=pl.Series(np.asarray(ratio.mean())),
                rate_ratio_low=pl.Series(np.asarray(ratio.ppf(0.05))),
                rate_ratio_high=pl.Series(np.asarray(ratio.ppf(0.95))),
                chance_over_3=pl.Series(np.asarray(ratio.sf(OVER))),
                p_value=pl.Series(np.where(n > 0, reliability.poisson_tail(n, due), 1.0)),
            )
        )
    return pl.concat(parts).sort("unit_id")


def judged(frame: pl.DataFrame, discovery_rate: float, watch: float) -> pl.DataFrame:
    """Adds q_value and standing. Never by the raw rate: one fault in few ballots is chance."""
    q = reliability.benjamini_hochberg(frame["p_value"].to_numpy())
    is_sure = (pl.col("q_value") <= discovery_rate) & (pl.col("faults") >= 2)
    is_over = pl.col("chance_over_3") > watch
    return frame.with_columns(q_value=pl.Series(q)).with_columns(
        standing=pl.when(is_sure & is_over)
        .then(pl.lit("confirmed"))
        .when(is_over | is_sure)
        .then(pl.lit("watch"))
        .otherwise(pl.lit("ordinary"))
    )
