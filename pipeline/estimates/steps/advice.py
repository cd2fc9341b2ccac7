"""What to do about a step: the way round a line that carries no results, and whose ballots an order keeps apart."""

import polars as pl

from pipeline.contracts.known import Known

ANOTHER_LINE = (
    "Try another line. If none serves, carry the media by hand: two people, sealed, by the county's procedure. "
    "Results stay unofficial."
)
# Help America Vote Act of 2002, section 302(c), from memory: in federal elections provisional, and held apart.
EXTENDED = (
    "Open later than most: if an order extended the hours, follow it. Who was in line at the usual closing votes as "
    "usual; ballots of those who came later may have to be provisional and kept apart from all others. The election "
    "official and counsel decide; nobody is turned away on the word of this board."
)


def advice(known: Known, steps: pl.DataFrame) -> pl.DataFrame:
    """A sentence for each step about which something can be done: site_id, milestone, advice."""
    return pl.concat([way_round(known, steps), kept_apart(known, steps)])


def kept_apart(known: Known, steps: pl.DataFrame) -> pl.DataFrame:
    """What an order that extends the hours asks of a site that closes later than most, from the usual hour on."""
    hours = known.sites.select("site_id", "closes_at").drop_nulls()
    usual = hours.group_by("closes_at").len().sort("len", "closes_at", descending=[True, False])["closes_at"].head(1)
    late = hours.filter(pl.col("closes_at") > usual.first()) if len(usual) and usual[0] <= known.at else hours.head(0)
    return (
        steps.filter((pl.col("milestone") == "closed") & pl.col("at").is_null())
        .join(late, on="site_id", how="semi")
        .select("site_id", "milestone", advice=pl.lit(EXTENDED))
    )


def way_round(known: Known, steps: pl.DataFrame) -> pl.DataFrame:
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
