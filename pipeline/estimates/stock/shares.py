"""What the day's own boxes teach: how unevenly the boxes of one site are used, and how much the pace changes."""

from collections.abc import Mapping

import numpy as np
import polars as pl

LEAST_BALLOTS = 40.0  # a site whose boxes have read fewer together says nothing of their shares; our choice [count]
POOLED_SITES = 2.0  # weight of equal shares, as so many sites; our choice [count]
POOLED_BOXES = 10.0  # weight of the setting beside the day's boxes, as so many; our choice [count]


def learnt_shares(boxes: pl.DataFrame, settings: Mapping[str, float]) -> pl.DataFrame:
    """Adds `usual_share`, what a box of its place in the roster takes of its site, and `share_doubt` (relative sd).

    Voters take the scanner that they come to first, and places are set up alike: where the sites whose boxes all count
    show that the first listed takes more, the others are taken to be like them. The doubt is the spread seen there,
    pooled with the setting. Equal shares where nothing was seen.
    """
    placed = boxes.sort("site_id", "unit_id").with_columns(
        place=pl.int_range(pl.len()).over("site_id"),
        all_count=pl.col("total").is_not_null().all().over("site_id"),
        read=pl.col("total").sum().over("site_id"),
    )
    even = 1.0 / pl.col("boxes").fill_null(1.0)
    seen = (
        placed.filter(pl.col("all_count") & (pl.col("read") >= LEAST_BALLOTS) & (pl.col("boxes") > 1))
        .with_columns(share=pl.col("total") / pl.col("read"))
        .group_by("boxes", "place")
        .agg(mean=pl.col("share").mean(), sites=pl.len(), spread=pl.col("share").std(ddof=0).fill_null(0.0))
    )
    told = placed.join(seen, on=["boxes", "place"], how="left", maintain_order="left")
    n = pl.col("sites").fill_null(0)
    share = (pl.col("mean").fill_null(0.0) * n + even * POOLED_SITES) / (n + POOLED_SITES)
    relative = pl.col("spread").fill_null(0.0) / pl.coalesce("mean", even).clip(lower_bound=0.01)
    usual = settings["supplies.share_spread"]
    doubt = ((n * relative**2 + POOLED_SITES * usual**2) / (n + POOLED_SITES)).sqrt()
    # While equal shares still weigh, the box may be the one that takes more or the one that takes less.
    torn = (pl.col("mean").fill_null(even) - share).abs() / share
    return (
        told.with_columns(usual_share=share, share_doubt=(doubt**2 + torn**2).sqrt())
        .with_columns(usual_share=pl.col("usual_share") / pl.col("usual_share").sum().over("site_id"))
        .drop("place", "all_count", "read", "mean", "sites", "spread")
        .sort("unit_id")
    )


def learnt_doubt(boxes: pl.DataFrame, usual: float) -> float:
    """How much a box's pace of one hour differs from the hour before (one sd, relative), beyond what chance does.

    From the boxes that count: the mean square of the logarithm of the two hours' ratio, less the Poisson variance of
    both, pooled with the setting.
    """
    told = boxes.filter((pl.col("last_hour") >= 5) & (pl.col("hour_before") >= 5))
    a, b = told["last_hour"].to_numpy().astype(float), told["hour_before"].to_numpy().astype(float)
    if not len(a):
        return usual
    beyond = np.log(a / b) ** 2 - 1 / a - 1 / b
    pooled = (beyond.sum() + POOLED_BOXES * usual**2) / (len(a) + POOLED_BOXES)
    return float(np.sqrt(np.clip(pooled, 0.01, 1.0)))
