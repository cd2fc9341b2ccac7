"""Which unit to replace with which spare, by the voter-minutes that it would save for the rest of the day."""

from datetime import timedelta
from typing import Any

import polars as pl

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty
from pipeline.estimates.dispatch.costs import Cost, clearing_factor
from pipeline.estimates.dispatch.travel import NO_PLACE_MINUTES, drive_minutes, settings_at

CAUTION = (
    "A proposal: the election official decides. Only a unit that was tested and sealed for the ballot styles of that "
    "place; print and sign its zero report before it takes a ballot. Two people do it; they write down seals and "
    "counters of both units with the time. The old unit's ballots and media stay in custody until they are counted. "
    "Voting goes on another way meanwhile. County procedure and election law come first (common practice, no source)."
)
MINUTES = {"misfeed": "misfeed", "jam": "jam", "hard-fault": "hard_fault"}  # class → its setting; the rest are `other`
SURE = {  # what a unit's standing says of its faults
    "confirmed": "more than chance explains",
    "watch": "perhaps more than chance explains",
    "ordinary": "which may be chance",
}
WORTH_A_LOOK = 1.5  # units whose rate is below so many times the fleet's are not proposed; our choice [-]


def swaps(known: Known, repeats: pl.DataFrame, record: pl.DataFrame, loads: pl.DataFrame) -> pl.DataFrame:
    """Swaps that save voter-minutes, the best first, each spare once: `estimates.Swaps`.

    Parameters
    ----------
    repeats : the estimate of that name
    record : faults and what was due, by unit and class (`rates.record`)
    loads : SiteLoads
    """
    units, spares = at_work(known, repeats, loads), in_reserve(known, repeats)
    if not units or not spares:
        return empty(estimates.Swaps)
    rates = fleet_rates(record)
    found = [
        row
        for unit in units
        for spare in spares
        if spare["type"] == unit["type"] and (row := one_swap(known, unit, spare, rates)) is not None
    ]
    found.sort(key=lambda row: (-row["voter_minutes_saved"], row["unit_id"], row["spare_id"]))
    taken: set[str] = set()
    chosen = []
    for row in found:
        if not {row["unit_id"], row["spare_id"]} & taken:
            taken |= {row["unit_id"], row["spare_id"]}
            chosen.append(row)
    return pl.DataFrame(chosen, schema=empty(estimates.Swaps).schema, orient="row")


def at_work(known: Known, repeats: pl.DataFrame, loads: pl.DataFrame) -> list[dict[str, Any]]:
    """Deployed units of open sites that stand out or stand still, with their site's load and place."""
    frame = (
        repeats.join(known.units.select("unit_id", "type", "role"), on="unit_id")
        .filter((pl.col("role").fill_null("deployed") != "spare") & pl.col("site_id").is_not_null())
        .with_columns(peers=pl.len().over("site_id", "type"))
        .join(loads, on="site_id")
        .join(known.sites.select("site_id", "latitude", "longitude", "checkin_stations"), on="site_id")
        .with_columns(is_stopped=pl.col("unit_id").is_in(stopped(known)))
        .filter("is_open")
        .filter(pl.col("is_stopped") | (pl.col("rate_ratio_mean") >= WORTH_A_LOOK))
    )
    return frame.sort("unit_id").to_dicts()


def stopped(known: Known) -> list[str]:
    """Units whose newest word on their state is that they stand still."""
    last = (
        known.status.filter(pl.col("state").is_not_null())
        .sort("unit_id", "occurred_at", "sequence")
        .group_by("unit_id", maintain_order=True)
        .agg(pl.col("state").last())
    )
    return last.filter(pl.col("state") == "fault")["unit_id"].to_list()


def in_reserve(known: Known, repeats: pl.DataFrame) -> list[dict[str, Any]]:
    """Spare units that wait, with where: none that stands out or stands still, or has read ballots today."""
    frame = (
        known.units.filter((pl.col("role") == "spare") | pl.col("site_id").is_null())
        .join(repeats.select("unit_id", "standing", "exposure_ballots", spare_ratio="rate_ratio_mean"), on="unit_id")
        .filter((pl.col("standing") == "ordinary") & ~pl.col("unit_id").is_in(stopped(known)))
        .filter(pl.col("exposure_ballots").fill_null(0) == 0)
        .join(known.sites.select("site_id", "latitude", "longitude"), on="site_id", how="left")
    )
    rows = frame.sort("unit_id").to_dicts()
    for row in rows:
        depot = known.county.depot or (None, None)
        has = row["latitude"] is not None
        row["place"] = (row["latitude"], row["longitude"]) if has else depot
    return rows


def fleet_rates(record: pl.DataFrame) -> dict[tuple[str, str], float]:
    """Type, class → faults per unit of exposure in the fleet."""
    sums = record.group_by("type", "fault_class").agg(pl.col("weight").sum(), pl.col("exposure").sum())
    return {
        (row["type"], row["fault_class"]): row["weight"] / row["exposure"]
        for row in sums.iter_rows(named=True)
        if row["exposure"] > 0
    }


def one_swap(
    known: Known, unit: dict[str, Any], spare: dict[str, Any], rates: dict[tuple[str, str], float]
) -> dict[str, Any] | None:
    """One swap's row, None where it saves nothing."""
    place = (unit["latitude"], unit["longitude"])
    drive = NO_PLACE_MINUTES
    if None not in spare["place"] and None not in place:
        drive = float(drive_minutes([spare["place"]], [place], settings_at(known, known.at))[0, 0])
    work, left = known.settings["repeats.swap_minutes"], unit["minutes_to_close"]
    after = max(0.0, left - drive - work) / left if left > 0 else 0.0
    if after <= 0:
        return None
    each = fault_cost(known, unit, rates)
    stop = stop_cost(known, unit, drive + work if unit["is_stopped"] else work)
    now = stop_cost(known, unit, known.settings["repeats.hard_fault_minutes"]) if unit["is_stopped"] else 0.0
    saved = {
        bound: (unit[f"rate_ratio_{bound}"] - spare["spare_ratio"]) * each * after + now - stop
        for bound in ("mean", "low", "high")
    }
    if saved["mean"] <= 0:
        return None
    return {
        "unit_id": unit["unit_id"],
        "site_id": unit["site_id"],
        "spare_id": spare["unit_id"],
        "spare_site_id": spare["site_id"],
        "voter_minutes_saved": saved["mean"],
        "voter_minutes_saved_low": max(0.0, min(saved["low"], saved["mean"])),
        "voter_minutes_saved_high": max(saved["high"], saved["mean"]),
        "ready_at": known.at + timedelta(minutes=drive + work),
        "why": why(unit, each),
        "caution": CAUTION,
    }


def fault_cost(known: Known, unit: dict[str, Any], rates: dict[tuple[str, str], float]) -> float:
    """Voter-minutes that faults would cost at this place until closing, were the unit like the rest of its fleet."""
    ballots = unit["remaining_voters_mean"] / max(1, unit["peers"])
    hours = unit["minutes_to_close"] / 60
    total = 0.0
    for (type_, fault_class), rate in rates.items():
        if type_ != unit["type"]:
            continue
        by_ballots = fault_class in ("misfeed", "jam") and unit["exposure_ballots"] is not None
        name = MINUTES.get(fault_class, "other_fault")
        total += (
            rate
            * (ballots if by_ballots else hours)
            * stop_cost(known, unit, known.settings[f"repeats.{name}_minutes"])
        )
    return total


def stop_cost(known: Known, unit: dict[str, Any], minutes: float) -> float:
    """Voter-minutes lost while the unit stands still: its share of the arrivals piles up and clears again."""
    share = unit["arrivals_per_minute"] / max(1, unit["peers"])
    is_scanner = unit["type"].startswith("scan")
    each = known.settings["dispatch.scanner_per_minute" if is_scanner else "dispatch.checkin_per_minute"]
    stations = 1 if is_scanner else max(1, (unit["checkin_stations"] or 1) / max(1, unit["peers"]))
    cap = known.settings["dispatch.growth_cap_minutes"]
    return Cost(0.0, share, 0.0, cap, clearing_factor(share, each * stations))(minutes)


def why(unit: dict[str, Any], each: float) -> str:
    """The reason in words, with its figures."""
    how_sure = SURE[unit["standing"]]
    ratio = f"{unit['rate_ratio_mean']:.1f} times the faults of its like ({unit['faults']} so far, {how_sure})"
    still = "It stands still now. " if unit["is_stopped"] else ""
    to_come = f"{round(unit['remaining_voters_mean'])} voters still to come"
    return f"{still}{ratio}; {to_come}, at whom an ordinary unit's faults cost {each:.0f} voter-minutes."
