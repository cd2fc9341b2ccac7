"""How faults add up in the fleet: the mean cumulative function, over all and by type, year, age, site."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty
from pipeline.estimates.failures.exposure import Ledger
from pipeline.estimates.failures.exposure import ledger as ledger_of
from pipeline.estimates.failures.recurrence import mean_cumulative, positive_bounds

Floats = NDArray[np.float64]
AGES = ((0, "0-4"), (5, "5-9"), (10, "10-14"), (15, "15 or more"))  # years in service; our choice
NONE_SEEN = 2.9957  # 95 % upper limit of a Poisson mean of which nothing was seen: -ln 0.05 [count]
GROUPS = ("all", "type", "model-year", "age", "site")


def fleet(known: Known, faults: pl.DataFrame, ledger: Ledger | None = None) -> pl.DataFrame:
    """Mean faults a unit against hours at work, for every group of units: `estimates.Fleet`."""
    units = grouped(known, (ledger or ledger_of(known)).exposures)
    if units.is_empty():
        return empty(estimates.Fleet)
    own = faults.select("unit_id", "hours", "probability").join(units.select("unit_id", "nth"), on="unit_id")
    parts = [curves(units, own, by) for by in GROUPS]
    return pl.concat([part.select(list(empty(estimates.Fleet).columns)) for part in parts])


def grouped(known: Known, exposures: pl.DataFrame) -> pl.DataFrame:
    """Units at work, numbered, with the name of their group under each heading."""
    year = known.county.election_day.year
    age = year - pl.col("in_service")
    band = pl.lit(None, pl.String)
    for least, name in AGES:
        band = pl.when(age >= least).then(pl.lit(name)).otherwise(band)
    return (
        exposures.filter(pl.col("exposure_hours") > 0)
        .sort("unit_id")
        .with_row_index("nth")
        .with_columns(
            pl.lit("all").alias("all"),
            pl.col("in_service").cast(pl.String).alias("model-year"),
            band.alias("age"),
            pl.col("site_id").alias("site"),
        )
    )


def curves(units: pl.DataFrame, faults: pl.DataFrame, by: str) -> pl.DataFrame:
    """The curves of all groups under one heading, at whole hours and the end; of a site only its end."""
    names = units[by].drop_nulls().unique().sort()
    if names.is_empty():
        return empty(estimates.Fleet)
    codes = units.select(pl.col(by).cast(pl.Enum(names)).to_physical().cast(pl.Int64).fill_null(len(names)))
    code, hours = codes.to_series().to_numpy(), units["exposure_hours"].to_numpy()
    many = len(names) + 1  # units of no group make one more, which is not told
    last = np.zeros(many)
    np.maximum.at(last, code, hours)
    whole = np.zeros((many, 0)) if by == "site" else np.tile(np.arange(1.0, np.ceil(last.max())), (many, 1))
    grid = np.minimum(np.c_[whole, last], last[:, None])
    mean, variance = mean_cumulative(
        faults["nth"].to_numpy(), faults["hours"].to_numpy(), hours, grid, faults["probability"].to_numpy(), code
    )
    low, high = positive_bounds(mean, variance)
    size = np.bincount(code, minlength=many)[:, None]
    high = np.where(mean > 0, high, NONE_SEEN / np.maximum(size, 1))
    frame = pl.DataFrame(
        {
            "group": np.repeat(names.to_numpy(), grid.shape[1]),
            "hours": grid[:-1].ravel(),
            "units": still_watched(code, hours, grid)[:-1].ravel(),
            "faults_per_unit_mean": mean[:-1].ravel(),
            "faults_per_unit_low": low[:-1].ravel(),
            "faults_per_unit_high": high[:-1].ravel(),
        }
    )
    told = frame.unique(["group", "hours"], keep="last", maintain_order=True)
    return told.with_columns(group_by=pl.lit(by))


def still_watched(code: NDArray[np.int64], hours: Floats, grid: Floats) -> NDArray[np.int64]:
    """Units of each group that have been at work for so long."""
    reach = 2 * (float(hours.max()) + 1)
    line = np.sort(code * reach + hours)
    row = np.arange(len(grid))[:, None]
    return np.searchsorted(line, (row + 1) * reach - 1e-9) - np.searchsorted(line, row * reach + grid, side="left")
