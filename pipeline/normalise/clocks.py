"""Units' clocks that are off: found from how early or late their reports seem to arrive, and corrected.

Every unit reports at its own phase of the collection round, so its smallest delays differ by up to one round even
when all clocks are right. Only what lies outside that range says that a clock is off (docs/methods/lines.md).
"""

import polars as pl

from pipeline.settings import Settings

LEAST_DELAYS = 3  # the reports with the smallest delays that speak for a unit: one alone may be a slip [count]
TYPICAL_DELAY = 5.0  # delay assumed where fewer than MANY_UNITS units report [min]; our choice
ROUND_MINUTES = 10.0  # spread of honest smallest delays assumed likewise [min]; our choice
MANY_UNITS = 8  # below this the county's own quantiles mean little [count]
WHOLE_HOUR = 60.0  # a clock left on another zone or season is off by this much [min]
HOUR_TOLERANCE = 12.0  # an offset this near to whole hours is taken as whole hours [min]; one round and some drift


def correct_clocks(status: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """The reports with `occurred_at` and `clock_offset_minutes` (unit's clock minus true time).

    Parameters
    ----------
    status : status rows with `unit_id`, `at` and `received_at`, in any order
    settings : `clocks.correct_above_minutes` is the offset from which a clock is corrected [min]
    """
    status = status.drop("occurred_at", "clock_offset_minutes", strict=False)
    offsets = clock_offsets(status, settings["clocks.correct_above_minutes"])
    joined = status.join(offsets, on="unit_id", how="left", maintain_order="left").with_columns(
        pl.col("clock_offset_minutes").fill_null(0.0)
    )
    moved = pl.col("at") - pl.duration(microseconds=(pl.col("clock_offset_minutes") * 60e6).cast(pl.Int64))
    # A report cannot be received before it occurred, whatever the clock says.
    return joined.with_columns(occurred_at=pl.min_horizontal(moved, pl.col("received_at"))).select(
        *status.columns, "occurred_at", "clock_offset_minutes"
    )


def clock_offsets(status: pl.DataFrame, correct_above: float) -> pl.DataFrame:
    """One row a unit: `unit_id`, `clock_offset_minutes` (nought where the clock passes).

    The smallest delays of a unit are compared with the range of the county's. A unit is moved by the distance from the
    middle of that range, so the correction is right to about half a collection round.
    """
    delay = (pl.col("received_at") - pl.col("at")).dt.total_seconds() / 60
    least = (
        status.filter(pl.col("at").is_not_null() & pl.col("received_at").is_not_null())
        .group_by("unit_id")
        .agg(delay_minutes=delay.bottom_k(LEAST_DELAYS).median())
        .sort("unit_id")
    )
    middle, low, high = honest_range(least["delay_minutes"])
    offset = middle - pl.col("delay_minutes")
    hours = (offset / WHOLE_HOUR).round()
    whole = (hours != 0) & ((offset - hours * WHOLE_HOUR).abs() <= HOUR_TOLERANCE)
    outside = (pl.col("delay_minutes") < low) | (pl.col("delay_minutes") > high)
    return least.select(
        "unit_id",
        clock_offset_minutes=pl.when(outside & (offset.abs() > correct_above))
        .then(pl.when(whole).then(hours * WHOLE_HOUR).otherwise(offset))
        .otherwise(0.0),
    )


def honest_range(delays: pl.Series) -> tuple[float, float, float]:
    """Middle, low and high of the smallest delays that right clocks show [min].

    Right clocks never show less than about nought, and spread over one collection round above that.
    """
    if len(delays) < MANY_UNITS:
        return TYPICAL_DELAY, -1.0, TYPICAL_DELAY + 2 * ROUND_MINUTES
    lower, middle, upper = (float(delays.quantile(q, "linear") or 0.0) for q in (0.25, 0.5, 0.75))
    reach = max(upper - lower, 1.0)
    return middle, max(min(lower - reach, middle - 3.0), min(middle - 3.0, -1.0)), upper + 1.5 * reach
