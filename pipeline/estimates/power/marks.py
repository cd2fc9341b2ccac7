"""What is odd about the reports on power: kept, marked and explained, never dropped.

Each oddity makes the estimate wider or less sure where it enters (`supply.SURE`, `charge.reported_points`,
`promises.promise_of`). Method: docs/methods/power.md.
"""

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.power import supply
from pipeline.estimates.power.batteries import RISE_ERRORS
from pipeline.estimates.power.instants import moment


def unit_marks(known: Known, notes: pl.DataFrame, off: pl.DataFrame) -> pl.DataFrame:
    """One row a unit with something odd: unit_id, marks (in words, `;` between).

    `off`: the units off mains, and by how much a percentage rose since they lost it (columns unit_id, rise).
    """
    places = known.sites.lazy().select("site_id", "circuit").join(odd_outages(known).lazy(), on="circuit")
    odd = pl.concat([contradicting(known, notes), places.select("site_id", "says")])
    at_sites = known.units.lazy().select("unit_id", "site_id").join(odd, on="site_id").select("unit_id", "says")
    words = pl.concat([rising(known, off).lazy(), at_sites]).unique().sort("unit_id", "says")
    return words.group_by("unit_id", maintain_order=True).agg(marks=pl.col("says").str.join("; ")).collect()


def rising(known: Known, off: pl.DataFrame) -> pl.DataFrame:
    """Units off mains whose percentage has risen since they lost it: unit_id, says."""
    least = RISE_ERRORS * known.settings["power.percent_error"] / 100
    rise = (100 * pl.col("rise")).round(0).cast(pl.Int64)
    says = pl.format("percentage rose by {} while off mains: doubted", rise)
    return off.filter(pl.col("rise") > least).select("unit_id", says=says)


def contradicting(known: Known, notes: pl.DataFrame) -> pl.LazyFrame:
    """Sites whose notes say lost and restored within a few minutes: site_id, says."""
    is_off = pl.col("event").is_in(["lost", "battery-low"])
    is_on = pl.col("event").is_in(["restored", "generator"])
    words = notes.lazy().filter(
        (is_off | is_on) & pl.col("site_id").is_not_null() & (pl.col("occurred_at") <= moment(known.at))
    )
    clash = words.with_columns(is_off=is_off, at=pl.col("occurred_at")).filter(supply.contradicted())
    return clash.select("site_id", says=pl.lit("notes contradict each other within minutes")).unique()


def odd_outages(known: Known) -> pl.DataFrame:
    """Lines of the utility's list that cannot be right as they stand: circuit, outage_id, says."""
    start, end, promise = pl.col("started_at"), pl.col("restored_at"), pl.col("estimated_restoration_at")
    oddities = [
        ((end < start), "the utility lists an outage that ends before it starts"),
        ((promise < start), "the utility promised a time before the outage began"),
        ((start > moment(known.at)), "the utility lists an outage that begins later than now"),
    ]
    outages = known.outages.lazy()
    parts = [
        outages.filter(is_odd.fill_null(False)).select("circuit", "outage_id", says=pl.lit(says))
        for is_odd, says in oddities
    ]
    listed = known.sites.lazy().select("circuit").drop_nulls()
    unlisted = outages.join(listed, on="circuit", how="anti")
    parts.append(unlisted.select("circuit", "outage_id", says=pl.lit("no site of the roster is on this circuit")))
    return pl.concat(parts).sort("circuit", "outage_id", "says").collect()
