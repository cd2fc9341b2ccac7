"""Units whose clock is off or whose counter is odd, for the page of the units."""

import polars as pl

from dashboard.data import Picture
from pipeline.estimates.counters import PACES, SAID, with_increments

WHOLE = 0.5  # an offset below this is no offset [min]
SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "unit_id": pl.String,
    "site_id": pl.String,
    "clock_offset_minutes": pl.Float64,
    "counter": pl.String,
    "since": pl.Datetime("us", "UTC"),
    "last_at": pl.Datetime("us", "UTC"),
}


def odd_units(picture: Picture) -> pl.DataFrame:
    """One row a unit with an odd clock or counter: `SCHEMA`, the clocks furthest off first."""
    status = picture.known.status
    if status.is_empty():
        return pl.DataFrame(schema=dict(SCHEMA))
    last = status.group_by("unit_id").agg(pl.col("clock_offset_minutes").last(), last_at=pl.col("occurred_at").max())
    frame = last.join(counters(status), on="unit_id", how="left").join(
        picture.known.units.select("unit_id", "site_id"), on="unit_id", how="left"
    )
    odd = (pl.col("clock_offset_minutes").abs() > WHOLE) | pl.col("counter").is_not_null()
    found = frame.filter(odd).with_columns(pl.col("counter").fill_null("passes"))
    order = found.with_columns(size=pl.col("clock_offset_minutes").abs())
    return order.sort("size", "unit_id", descending=[True, False]).select(
        pl.col(name).cast(kind) for name, kind in SCHEMA.items()
    )


def counters(status: pl.DataFrame) -> pl.DataFrame:
    """What is odd about each unit's counters, in words, and since when."""
    parts = []
    for name in PACES:
        marked = with_increments(status, name).filter(pl.col(f"mark_{name}").is_not_null())
        said = pl.col(f"mark_{name}").replace_strict(SAID, default="odd", return_dtype=pl.String)
        what = pl.concat_str(pl.lit(name.replace("_", " ") + " "), said)
        parts.append(marked.select("unit_id", "occurred_at", what=what))
    every = pl.concat(parts).sort("unit_id", "occurred_at")
    return every.group_by("unit_id", maintain_order=True).agg(
        counter=pl.col("what").unique(maintain_order=True).str.join("; "), since=pl.col("occurred_at").min()
    )


def clock_said(offset: float | None) -> str:
    """How far a clock is off, in words."""
    if offset is None or abs(offset) <= WHOLE:
        return "passes"
    return f"{abs(offset):.0f} min {'ahead' if offset > 0 else 'behind'}, corrected"
