"""What runs out or fills up: ballot boxes, report paper, blank ballots, with the time and the chance before closing.

Method and limits: docs/methods/closing.md.
"""

import polars as pl

from pipeline.contracts import estimates
from pipeline.contracts.further import FURTHER
from pipeline.contracts.known import Known, empty
from pipeline.estimates.stock.boxes import boxes_at, emergency_compartments, main_compartments
from pipeline.estimates.stock.paper import ballots, rolls
from pipeline.estimates.stock.warnings import with_warning


def supplies(known: Known, loads: pl.DataFrame, supply: pl.DataFrame | None = None) -> pl.DataFrame:
    """Every ballot box, paper roll and stock of ballots that something is known of.

    Parameters
    ----------
    loads : SiteLoads
    supply : SupplyStates: a scanner without power sends its ballots to the emergency compartment
    """
    boxes = boxes_at(known, loads)
    parts = [
        main_compartments(known, boxes),
        emergency_compartments(known, boxes, supply),
        rolls(known),
        ballots(known, loads),
    ]
    names = list(empty(estimates.Supplies).columns)
    rows = pl.concat([part.with_columns(rate_of(part)).select(*names, "rate_per_hour") for part in parts])
    told = with_warning(rows, known)
    return told.select(*names, *FURTHER["supplies"]).sort("item", "site_id", "unit_id", "style")


def rate_of(part: pl.DataFrame) -> pl.Expr:
    """The part's rate, null where it has none."""
    has = "rate_per_hour" in part.columns
    return pl.col("rate_per_hour") if has else pl.lit(None, pl.Float64).alias("rate_per_hour")
