"""What one more spare unit of a type would save: from now on by the swaps, and so far by the day's longest stop."""

from dataclasses import replace
from typing import Any, cast

import polars as pl
from pandera.typing.polars import DataFrame

from pipeline.contracts.events import UnitRows
from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.dispatch import spread
from pipeline.estimates.dispatch.more import ASKED, one_row
from pipeline.estimates.dispatch.travel import NO_PLACE_MINUTES, drive_minutes, settings_at
from pipeline.estimates.failures.swaps import in_reserve, stop_cost, swaps

SPARE = "+1"


def with_spare(known: Known, repeats: pl.DataFrame, kind: str) -> tuple[Known, pl.DataFrame]:
    """What is known and the estimate Repeats, with one more spare of a type at the depot, as good as its fleet."""
    schema = known.units.schema
    unit = {"unit_id": SPARE, "type": kind, "role": "spare"}
    row = pl.DataFrame([{name: unit.get(name) for name in schema}], schema=schema, orient="row")
    like = {"unit_id": SPARE, "standing": "ordinary", "rate_ratio_mean": 1.0}
    ranked = pl.DataFrame([{name: like.get(name) for name in repeats.schema}], schema=repeats.schema, orient="row")
    units = cast(DataFrame[UnitRows], pl.concat([known.units, row]))
    return replace(known, units=units), pl.concat([repeats, ranked])


def spare_from_now(
    known: Known, repeats: pl.DataFrame, record: pl.DataFrame, loads: pl.DataFrame, kind: str
) -> tuple[float, float, float, int]:
    """Voter-minutes that it saves until closing: mean, 5 %, 95 %, and the swaps proposed with it."""
    more, ranked = with_spare(known, repeats, kind)
    now, then = swaps(known, repeats, record, loads), swaps(more, ranked, record, loads)
    mean, low, high = (
        max(0.0, float(then[name].sum()) - float(now[name].sum()))
        for name in ("voter_minutes_saved", "voter_minutes_saved_low", "voter_minutes_saved_high")
    )
    return mean, min(low, mean), max(high, mean), then.height


def spare_so_far(known: Known, repeats: pl.DataFrame, loads: pl.DataFrame, kind: str) -> tuple[float, str]:
    """Voter-minutes that it would have saved at the stop where it saves most, and the words for it.

    A stop runs from a unit's first report of a fault to its next other one, or to T; it would have been as short as the
    drive from the depot and the swap. Arrivals as at T. Nothing while spares of the type are unused: none was short.
    """
    idle = [row["unit_id"] for row in in_reserve(known, repeats) if row["type"] == kind]
    if idle:
        return 0.0, f"spares of that type are unused: {', '.join(idle)}"
    best, said = 0.0, "no stop long enough for a swap to shorten"
    for row in stops(known, loads, kind):
        work = known.settings["repeats.swap_minutes"] + drive(known, row)
        saved = stop_cost(known, row, row["minutes"]) - stop_cost(known, row, work)
        if row["minutes"] > work and saved > best:
            best, said = saved, f"{row['unit_id']} stood still for {row['minutes']:.0f} min, with a spare {work:.0f}"
    return best, said


def drive(known: Known, row: dict[str, Any]) -> float:
    """Minutes from the depot to a unit's site."""
    place = (row["latitude"], row["longitude"])
    if known.county.depot is None or place[0] is None or place[1] is None:
        return NO_PLACE_MINUTES
    return float(drive_minutes([known.county.depot], [(place[0], place[1])], settings_at(known, known.at))[0, 0])


def stops(known: Known, loads: pl.DataFrame, kind: str) -> list[dict[str, Any]]:
    """Every stop of the type's units at sites, with its minutes and the site's load."""
    units = known.units.filter((pl.col("type") == kind) & (pl.col("role").fill_null("deployed") != "spare"))
    peers = units.drop_nulls("site_id").with_columns(peers=pl.len().over("site_id"))
    reports = (
        known.status.filter(pl.col("state").is_not_null() & pl.col("unit_id").is_in(units["unit_id"].implode()))
        .sort("unit_id", "occurred_at", "sequence")
        .with_columns(run=(pl.col("state") == "fault").rle_id().over("unit_id"))
    )
    runs = reports.group_by("unit_id", "run", maintain_order=True).agg(
        pl.col("state").first(), since=pl.col("occurred_at").first()
    )
    ended = runs.with_columns(until=pl.col("since").shift(-1).over("unit_id").fill_null(pl.lit(known.at)))
    return (
        ended.filter(pl.col("state") == "fault")
        .with_columns(minutes=(pl.col("until") - pl.col("since")).dt.total_seconds() / 60)
        .join(peers.select("unit_id", "site_id", "type", "peers"), on="unit_id")
        .join(loads.select("site_id", "arrivals_per_minute"), on="site_id")
        .join(known.sites.select("site_id", "latitude", "longitude", "checkin_stations"), on="site_id")
        .sort("unit_id", "since")
        .to_dicts()
    )


def answer_spare(
    known: Known, repeats: pl.DataFrame, record: pl.DataFrame, loads: pl.DataFrame, kind: str
) -> pl.DataFrame:
    """What one more spare of a type would have saved and would save: OneMore."""
    past, said = spare_so_far(known, repeats, loads, kind)
    mean, low, high, swapped = spare_from_now(known, repeats, record, loads, kind)
    change = f"1 more spare {kind}"
    return pl.DataFrame(
        [
            one_row(change, "so far", past, spread(known, (1.0, 1.0)), int(past > 0), said),
            (change, "from now on", mean, low, high, swapped, "the swaps proposed with it and without"),
        ],
        schema=ASKED,
        orient="row",
    )
