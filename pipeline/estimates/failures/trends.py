"""Is a unit getting worse today? Laplace's test and the power law, on its own clock of ballots or hours."""

import numpy as np
import polars as pl
from scipy import stats

from pipeline.estimates.failures import reliability
from pipeline.estimates.failures.rates import SURE

LEAST_FAULTS = 3  # a trend of fewer faults is not told; our choice [count]
LEVEL = 0.10  # a trend is called one at this rate of false discoveries; our choice [-]


def with_trends(frame: pl.DataFrame, faults: pl.DataFrame) -> pl.DataFrame:
    """Adds trend_laplace, trend_shape, trend_p (getting worse) and `trend`; null under three faults.

    Laplace's statistic is about normal without a trend, positive when faults come closer together. The power law's
    shape is over 1 when they do; 2·Σ ln(T/t) is exactly chi-squared on 2n degrees without a trend, small when worse.

    Source: NIST/SEMATECH e-Handbook 8.2.3.4; Crow, AMSAA (1974), as MIL-HDBK-189: the unbiased shape.
    """
    clock = on_own_clock(frame, faults.filter(pl.col("probability") >= SURE))
    sums = (
        clock.filter((pl.col("position") > 0) & (pl.col("position") < 1))
        .group_by("unit_id")
        .agg(n=pl.len(), mean=pl.col("position").mean(), logs=-pl.col("position").log().sum())
        .filter(pl.col("n") >= LEAST_FAULTS)
        .sort("unit_id")
    )
    n, logs = sums["n"].to_numpy().astype(float), sums["logs"].to_numpy()
    worse = np.asarray(stats.chi2.cdf(2 * logs, 2 * n), float)
    q_worse, q_better = reliability.benjamini_hochberg(worse), reliability.benjamini_hochberg(1 - worse)
    told = sums.select(
        "unit_id",
        trend_laplace=((12 * pl.col("n")).sqrt() * (pl.col("mean") - 0.5)),
        trend_shape=(pl.col("n") - 1) / pl.col("logs"),
        trend_p=pl.Series(worse),
        trend=pl.Series(
            np.select([q_worse <= LEVEL, q_better <= LEVEL], ["worse", "better"], "none shown"), dtype=pl.String
        ),
    )
    return frame.join(told, on="unit_id", how="left", maintain_order="left")


def on_own_clock(frame: pl.DataFrame, faults: pl.DataFrame) -> pl.DataFrame:
    """Faults with `position`: how much of the unit's exposure so far lay before it, 0 to 1.

    The clock is the unit's own ballots where it counts them, else its hours: a rush of voters is no trend.
    """
    both = faults.join(frame.select("unit_id", "exposure_ballots", "exposure_hours"), on="unit_id")
    by_ballots = pl.col("ballots") / pl.col("exposure_ballots")
    by_hours = pl.when(pl.col("exposure_hours") > 0).then(pl.col("hours") / pl.col("exposure_hours")).otherwise(0.0)
    return both.select("unit_id", position=pl.coalesce(by_ballots, by_hours))
