"""How good forecasts of lines were, against counts by hand: error, spread, coverage, and chances against outcomes.

Gneiting & Raftery (2007) for the CRPS; Murphy (1973) for the Brier score's three terms; Stephenson, Coelho & Jolliffe
(2008) for what chances that differ within a bin add to them.
"""

import math

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.contracts.asked import Grades, Reliability
from pipeline.contracts.known import empty
from pipeline.contracts.words import LINES

Floats = NDArray[np.float64]
Z90 = 1.6448536269514722  # the normal's 95 % point
HALF = 0.5  # a count is whole: an interval covers it that comes within half a person
LONG = 30.0  # a long line [people], and a long wait [min]: the Presidential Commission's half hour
BINS = 10  # of equal width, over chances from 0 to 1; our choice
FORECASTERS = ("wardbook", "last-count", "roster")
POINT = {"last-count"}  # forecasters that name one figure, and no interval
NUMBERS = ("waiting_mean", "waiting_median", "waiting_low", "waiting_high", "wait_minutes_median", "chance_over_30")


def crps_two_piece(middle: Floats, low: Floats, high: Floats, seen: Floats) -> Floats:
    """CRPS of two half-normals joined at `middle`, with 5 % and 95 % points `low` and `high`.

    Each half holds half of the probability, so `middle` is the median. The score is the integral of F^2 up to what was
    seen and of (1 - F)^2 beyond it, worked out from the normal's own integrals.
    """
    below, above = np.maximum((middle - low) / Z90, 1e-9), np.maximum((high - middle) / Z90, 1e-9)
    own, other = np.where(seen >= middle, above, below), np.where(seen >= middle, below, above)
    z = (seen - middle) / own
    at_nought = half_normal(np.zeros_like(z))
    return np.asarray(other * at_nought + own * (half_normal(z) + half_normal(-z) - at_nought))


def half_normal(z: Floats) -> Floats:
    """The integral of the squared standard normal distribution function up to z."""
    density = np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    return np.asarray(z * ndtr(z) ** 2 + 2 * density * ndtr(z) - ndtr(z * math.sqrt(2)) / math.sqrt(math.pi))


def murphy(chance: Floats, happened: NDArray[np.bool_], bins: int = BINS) -> dict[str, float | None]:
    """The Brier score and its terms: brier = reliability - resolution + uncertainty + within.

    Parameters
    ----------
    chance : chances said, 0 to 1
    happened : what came of each
    bins : of equal width; a chance on an edge belongs to the upper one

    Source
    ------
    Murphy (1973); `within`: Stephenson, Coelho & Jolliffe (2008), variance less twice the covariance within bins.
    """
    if len(chance) == 0:
        return dict.fromkeys(("brier", "brier_skill", "reliability", "resolution", "uncertainty", "within"))
    y = happened.astype(np.float64)
    place = bin_of(chance, bins)
    number = np.bincount(place, minlength=bins).astype(np.float64)
    said = np.bincount(place, chance, bins) / np.maximum(number, 1)
    came = np.bincount(place, y, bins) / np.maximum(number, 1)
    share = number / len(y)
    brier, base = float(((chance - y) ** 2).mean()), float(y.mean())
    reliability = float((share * (said - came) ** 2).sum())
    resolution = float((share * (came - base) ** 2).sum())
    uncertainty = base * (1 - base)
    off = chance - said[place]
    return {
        "brier": brier,
        "brier_skill": 1 - brier / uncertainty if uncertainty > 0 else None,
        "reliability": reliability,
        "resolution": resolution,
        "uncertainty": uncertainty,
        "within": float((off**2).mean() - 2 * (off * (y - came[place])).mean()),
    }


def bin_of(chance: Floats, bins: int = BINS) -> NDArray[np.int64]:
    """The bin of each chance."""
    return np.minimum(np.floor(chance * bins + 1e-9), bins - 1).astype(np.int64)


def grades(rows: pl.DataFrame) -> pl.DataFrame:
    """Grades by line, group and forecaster.

    Parameters
    ----------
    rows : one row a count, with `line`, `waiting`, `wait_minutes`, a column for each group but `all` (`is_long`,
        `is_stopped`, `is_silent`), and for each forecaster its columns of `Lines` led by its name and a dot
    """
    groups = {"all": pl.lit(True), "long lines": pl.col("is_long"), "stopped units": pl.col("is_stopped"),
              "no telemetry": pl.col("is_silent")}  # fmt: skip
    found = [
        {"line": line, "group": group, "forecaster": who} | grade(rows.filter((pl.col("line") == line) & within), who)
        for line in LINES
        for group, within in groups.items()
        for who in FORECASTERS
    ]
    schema = dict(empty(Grades).schema)
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in found], schema=schema)


def grade(rows: pl.DataFrame, who: str) -> dict[str, float | int | None]:
    """One forecaster's figures over some rows."""
    mine = {name: f"{who}.{name}" for name in NUMBERS}
    got = rows.filter(pl.col(mine["waiting_mean"]).is_not_null())
    result: dict[str, float | int | None] = {"counts": rows.height, "missing": rows.height - got.height, "timed": 0}
    if got.is_empty():
        return result
    seen = got["waiting"].to_numpy()
    mean, median, low, high = (got[mine[name]].to_numpy() for name in NUMBERS[:4])
    result |= {
        "waiting_counted_mean": float(seen.mean()),
        "mae": float(np.abs(median - seen).mean()),
        "rmse": float(np.sqrt(((mean - seen) ** 2).mean())),
        "bias": float((median - seen).mean()),
        "bias_mean": float((mean - seen).mean()),
        "crps": float(crps_two_piece(median, low, high, seen).mean()),
    }
    if who not in POINT:
        inside = (low - HALF <= seen) & (seen <= high + HALF)
        result |= {"coverage": float(inside.mean()), "width": float((high - low).mean())}
    timed = got.filter(pl.col("wait_minutes").is_not_null())
    if timed.height:
        waited = timed["wait_minutes"].to_numpy()
        result |= {
            "timed": timed.height,
            "wait_mae": float(np.abs(timed[mine["wait_minutes_median"]].to_numpy() - waited).mean()),
            "over_30_share": float((waited > LONG).mean()),
        } | murphy(timed[mine["chance_over_30"]].to_numpy(), waited > LONG)
    return result


def reliability(rows: pl.DataFrame, who: str = FORECASTERS[0]) -> pl.DataFrame:
    """What was said against what came of it, by line and bin of chances: Reliability."""
    chance = f"{who}.chance_over_30"
    timed = rows.filter(pl.col("wait_minutes").is_not_null() & pl.col(chance).is_not_null())
    place = pl.Series("place", bin_of(timed[chance].to_numpy()), dtype=pl.Int64)
    binned = timed.with_columns(place).group_by("line", "place").agg(
        rows=pl.len().cast(pl.Int64), chance_mean=pl.col(chance).mean(),
        over_30_share=(pl.col("wait_minutes") > LONG).mean(),
    )  # fmt: skip
    edges = binned.with_columns(
        bin_low=(pl.col("place") / BINS).round(6), bin_high=((pl.col("place") + 1) / BINS).round(6)
    )
    return edges.select(list(empty(Reliability).columns)).sort("line", "bin_low")
