"""Each unit against the published limits, by tests that may be looked at all day."""

from collections.abc import Mapping

import polars as pl

from pipeline.estimates.failures import reliability
from pipeline.estimates.failures.rates import BY_BALLOTS, SURE
from pipeline.estimates.failures.sequential import against_limit

STOPPING = ("hard-fault", "tape-printer", "memory-card")  # classes that count as failures of VVSG 1.0; our reading


def with_limits(frame: pl.DataFrame, faults: pl.DataFrame, settings: Mapping[str, float]) -> pl.DataFrame:
    """Adds misfeed_e_value, misfeed_p, mtbf_e_value, mtbf_p and `over_limit`, null where nothing can be said.

    Multiple feeds, misfeeds, jams and rejections all count as misfeeds (VVSG 2.0 1.2-G), of units with a counter. Over
    the limit is said by Benjamini and Hochberg over the p-values that hold at any look, at the same rate of false
    discoveries as the standing.
    """
    probable = faults.filter(pl.col("probability") >= SURE)
    misfed = probable.filter(pl.col("fault_class").is_in(list(BY_BALLOTS)) & pl.col("ballots").is_not_null())
    stopped = probable.filter(pl.col("fault_class").is_in(list(STOPPING)))
    multiple = settings["repeats.limit_multiple"]
    misfeeds = against_limit(
        misfed.select("unit_id", exposure="ballots"),
        frame.select("unit_id", exposure="exposure_ballots").drop_nulls(),
        settings["repeats.limit_misfeeds"],
        multiple,
        "misfeed",
    )
    hours = against_limit(
        stopped.select("unit_id", exposure="hours"),
        frame.select("unit_id", exposure="exposure_hours"),
        1 / settings["repeats.limit_mtbf_hours"],
        multiple,
        "mtbf",
    )
    told = frame.join(misfeeds, on="unit_id", how="left").join(hours, on="unit_id", how="left")
    for name in ("misfeed", "mtbf"):
        told = with_q(told, f"{name}_p", f"{name}_q")
    over = [
        pl.when(pl.col(f"{name}_q") <= settings["repeats.false_discovery_rate"]).then(pl.lit(said))
        for name, said in (("misfeed", "misfeeds"), ("mtbf", "failures"))
    ]
    said = pl.concat_str(over, separator=" and ", ignore_nulls=True)
    nothing = pl.col("misfeed_p").is_null() & pl.col("mtbf_p").is_null()
    return told.with_columns(
        over_limit=pl.when(nothing).then(None).when(said == "").then(pl.lit("none shown")).otherwise(said)
    )


def with_q(frame: pl.DataFrame, p: str, q: str) -> pl.DataFrame:
    """Adds Benjamini and Hochberg's q over the rows that have a p."""
    has = frame[p].is_not_null().to_numpy()
    values = frame[p].to_numpy().astype(float).copy()
    values[has] = reliability.benjamini_hochberg(values[has])
    return frame.with_columns(pl.Series(q, values).fill_nan(None))
