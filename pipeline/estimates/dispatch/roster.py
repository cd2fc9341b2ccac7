"""What is odd about a rover's line of the roster, in plain words; the plan goes on without it."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.rovers import parts_of
from pipeline.estimates.dispatch.skills import skills_of
from pipeline.estimates.dispatch.travel import NO_PLACE_MINUTES, great_circle_km

FAR_KM = 200.0  # a start so far from every site is likely a slip in the roster [km]; our choice


def roster_notes(known: Known, rover_id: str) -> list[str]:
    """What a dispatcher should know of a rover's line: place, skills, parts; nothing where all is well."""
    rows = known.rovers.filter(pl.col("rover_id") == rover_id).to_dicts()
    found = [note for row in rows[:1] for note in (place_note(known, row), skills_note(row), parts_note(row))]
    return [note for note in found if note is not None]


def place_note(known: Known, row: Mapping[str, Any]) -> str | None:
    """Where a start is missing, or far from every site."""
    start = np.array([[row["latitude"], row["longitude"]]], dtype=float)
    if not np.isfinite(start).all():
        guess = f"every drive from its start counts as {NO_PLACE_MINUTES:.0f} min"
        return f"The roster gives {row['rover_id']} no place: {guess}."
    sites = known.sites.select(pl.col("latitude", "longitude").cast(pl.Float64)).drop_nulls().to_numpy()
    near = great_circle_km(start, sites).min() if len(sites) else 0.0
    if near > FAR_KM:
        return f"The roster puts {row['rover_id']} {near:,.0f} km from the nearest site: check its place."
    return None


def skills_note(row: Mapping[str, Any]) -> str | None:
    """Where no skills are listed."""
    return (
        None
        if skills_of(row["skills"])
        else f"No skills are listed for {row['rover_id']}: it counts as able to do all."
    )


def parts_note(row: Mapping[str, Any]) -> str | None:
    """Where a count of parts is below nought."""
    below = [item.strip() for item in (row["parts"] or "").split(";") if item.partition(":")[2].strip().startswith("-")]
    if not below or not parts_of(row["parts"]):
        return None
    return f"The roster counts {', '.join(below)} for {row['rover_id']}: taken as none on board."
