"""What can be done about a step that does not get done: the way round a line that carries no results."""

import polars as pl

from pipeline.contracts.known import Known

ANOTHER_LINE = (
    "Try another line. If none serves, carry the media by hand: two people, sealed, by the county's procedure. "
    "Results stay unofficial."
)


def advice(known: Known, steps: pl.DataFrame) -> pl.DataFrame:
    """The way round for each site whose results are due by line and have not come: site_id, milestone, advice.

    The media are what counts: once the office has them, results can be read there and the line matters no more. The
    step itself stays as it is, as nobody has reported it. Common practice, no source.
    """
    waiting = steps.filter(
        (pl.col("milestone") == "transmitted") & pl.col("at").is_null() & (pl.col("due_at") <= known.at)
    )
    arrived = steps.filter(pl.col("milestone") == "media-received").select("site_id", arrived_at="at")
    local = pl.col("arrived_at").dt.convert_time_zone(known.county.zone).dt.strftime("%H:%M")
    there = pl.format("Media received at {}: results can be read there, by the county's procedure, unofficial.", local)
    return waiting.join(arrived, on="site_id", how="left").select(
        "site_id",
        "milestone",
        advice=pl.when(pl.col("arrived_at").is_null()).then(pl.lit(ANOTHER_LINE)).otherwise(there),
    )
