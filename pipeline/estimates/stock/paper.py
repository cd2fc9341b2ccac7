"""Paper: the roll of the report printer, and blank ballots by style."""

import numpy as np
import polars as pl

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty
from pipeline.contracts.moments import spelled_out
from pipeline.estimates.stock.boxes import site_demand
from pipeline.estimates.stock.filling import filling


def rolls(known: Known) -> pl.DataFrame:
    """The report printer's thermal roll, by the last report of each unit: only ok, low or out is known.

    A roll that is low holds `supplies.low_metres` or less, evenly at random; the reports still to be printed at closing
    take so many copies of so many metres. Once a site has printed its results report, nothing is to come.
    """
    s = known.settings
    last = (
        known.status.filter(pl.col("paper").is_not_null())
        .sort("unit_id", "occurred_at", "sequence")
        .group_by("unit_id", maintain_order=True)
        .last()
        .join(known.units.select("unit_id", "site_id"), on="unit_id", how="inner")
        .join(printed(known), on="site_id", how="left")
    )
    age = (pl.lit(known.at) - pl.col("occurred_at")).dt.total_minutes().clip(lower_bound=0)
    to_come = pl.when(pl.col("is_printed").fill_null(False)).then(0.0).otherwise(1.0)
    needed = s["supplies.report_copies"] * s["supplies.report_metres"]
    low = min(1.0, needed / (2 * max(s["supplies.low_metres"], 1e-6)))
    chances = {"ok": s["supplies.paper_ok_chance"], "low": low, "out": 1.0}
    state = pl.col("paper").replace_strict(chances, return_dtype=pl.Float64)
    need = (
        pl.when(to_come > 0)
        .then(pl.lit(f"; the closing reports take about {needed:g} m of paper"))
        .otherwise(pl.lit(""))
    )
    return last.select(
        "unit_id",
        "site_id",
        item=pl.lit("paper"),
        style=pl.lit(None, pl.String),
        used=pl.lit(None, pl.Float64),
        capacity=pl.lit(None, pl.Float64),
        state="paper",
        full_at_low=no_time(),
        full_at_mean=no_time(),
        full_at_high=no_time(),
        chance_full=pl.when(pl.col("paper") == "out").then(1.0).otherwise(state * to_come),
        basis=pl.format("reported {}, {} ago{}", "paper", spelled_out(age), need),
    )


def printed(known: Known) -> pl.DataFrame:
    """Sites that have printed their results report: site_id, is_printed."""
    done = known.milestones.filter((pl.col("milestone") == "results-tape") & (pl.col("at") <= known.at))
    return done.select("site_id").unique().with_columns(is_printed=pl.lit(True))


def no_time() -> pl.Expr:
    """A null time."""
    return pl.lit(None, pl.Datetime("us", "UTC"))


def ballots(known: Known, loads: pl.DataFrame) -> pl.DataFrame:
    """Blank ballots by style, where a site reports its stock; `full_at` is when they run out."""
    stock = (
        known.ballot_stock.filter(pl.col("at") <= known.at)
        .sort("site_id", "style", "at")
        .group_by("site_id", "style", maintain_order=True)
        .agg(
            first=pl.col("on_hand").max().cast(pl.Float64),
            on_hand=pl.col("on_hand").last().cast(pl.Float64),
            counted_at=pl.col("at").last(),
        )
        .join(site_demand(known, loads), on="site_id", how="left")
    )
    if stock.is_empty():
        return empty(estimates.Supplies)
    s = known.settings
    age = (known.at - pl.col("counted_at")).dt.total_seconds() / 60
    voted = (known.at - pl.max_horizontal("counted_at", "opens_at")).dt.total_seconds() / 60
    weight = pl.col("first") - pl.col("on_hand") + 0.1 * pl.col("first") + 1  # use so far, drawn to the allotment
    stock = stock.with_columns(
        age=age,
        voted=voted.clip(lower_bound=0),
        share=weight / weight.sum().over("site_id"),
        styles=pl.len().over("site_id"),
    )
    share = stock["share"].to_numpy()
    gone = share * stock["arrivals_per_minute"].fill_null(0).to_numpy() * stock["voted"].to_numpy()
    spread = np.where(stock["styles"].to_numpy() > 1, s["supplies.share_spread"], 0.0)
    room = np.maximum(stock["on_hand"].to_numpy() - gone, 0)
    waiting = stock["checkin_waiting"].fill_null(0).to_numpy()
    # Spoiled ballots are replaced, so that more sheets go out than voters come in.
    sheets = room / (1 + s["supplies.spoiled_share"])
    filled = filling(known, stock, sheets, share, spread, 0.1 * gone, waiting, s["supplies.pace_spread"])
    return filled.with_columns(
        unit_id=pl.lit(None, pl.String),
        item=pl.lit("ballots"),
        used=pl.col("first") - pl.col("on_hand"),
        capacity=pl.col("first"),
        state=pl.lit(None, pl.String),
        basis=pl.format("stock count, {} old", spelled_out(pl.col("age"))),
    )
