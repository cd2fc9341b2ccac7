"""Early warning: when somebody has to leave so that help is there before a box is full or a stock used up."""

import numpy as np
import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.travel import NO_PLACE_MINUTES, drive_minutes, settings_at


def with_warning(rows: pl.DataFrame, known: Known) -> pl.DataFrame:
    """Adds lead_minutes (a trip to the site), send_by_at (the early end of the interval less that) and is_warned.

    Warned are rows that are likely enough to end before closing (`supplies.warn_chance`) and whose time to leave has
    come or comes within half an hour, and whatever is used up already.
    """
    led = rows.join(lead_minutes(known), on="site_id", how="left", maintain_order="left").with_columns(
        pl.col("lead_minutes").fill_null(NO_PLACE_MINUTES)
    )
    lead = pl.duration(seconds=(pl.col("lead_minutes") * 60).round().cast(pl.Int64))
    send_by = pl.col("full_at_low") - lead
    likely = pl.col("chance_full") >= known.settings["supplies.warn_chance"]
    soon = (send_by <= pl.lit(known.at) + pl.duration(minutes=30)).fill_null(False)
    out = pl.col("chance_full") >= 1.0
    low = (pl.col("state") == "low").fill_null(False)
    return led.with_columns(send_by_at=send_by, is_warned=likely & (soon | out | low))


def lead_minutes(known: Known) -> pl.DataFrame:
    """Minutes to each site from the depot or the nearest rover's start, getting ready too: site_id, lead_minutes."""
    sites = known.sites.select("site_id", "latitude", "longitude").sort("site_id")
    starts = known.rovers.select("latitude", "longitude").rows()
    if known.county.depot is not None:
        starts = [known.county.depot, *starts]
    if not starts or sites.is_empty():
        return sites.select("site_id", lead_minutes=pl.lit(NO_PLACE_MINUTES))
    places = sites.select(pl.col("latitude", "longitude").fill_null(float("nan"))).rows()
    origin = [(np.nan if a is None else a, np.nan if b is None else b) for a, b in starts]
    nearest = drive_minutes(origin, places, settings_at(known, known.at)).min(axis=0)
    ready = known.settings["supplies.ready_minutes"]
    return sites.select("site_id", lead_minutes=pl.Series(nearest + ready))
