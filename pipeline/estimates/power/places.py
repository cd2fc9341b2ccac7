"""What losing mains may cost, by site and by circuit.

An outage is shared: the units of a site go dark at their own times, but power returns to all of them at once. Method:
docs/methods/power.md.
"""

from datetime import datetime

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.consequences import Circuits, Exposure
from pipeline.contracts.known import Known, empty
from pipeline.estimates.power import marks
from pipeline.estimates.power.circuits import day_outages, lengths
from pipeline.estimates.power.instants import at_offset
from pipeline.estimates.power.stakes import (
    COARSE,
    EARLY_TO_LATE,
    Stakes,
    chance_gone,
    cost_if_ended,
    load_spread,
    sorted_units,
    spread_of,
)

Floats = NDArray[np.float64]
STOPS = {"checkin": "chance_no_checkin", "scanner": "chance_no_scanner", "accessible": "chance_no_accessible"}
BACK = {"low": 0.05, "median": 0.5, "high": 0.95}
NOUGHTS = (
    *STOPS.values(),
    "expected_dark_minutes",
    "expected_voter_minutes",
    "voter_minutes_low",
    "voter_minutes_high",
)


def exposure(
    known: Known, supply: pl.DataFrame, stakes: Stakes, power: pl.DataFrame, loads: pl.DataFrame
) -> pl.DataFrame:
    """One row a site with units: Exposure."""
    sorts = sorted_units(known).filter(pl.col("site_id").is_not_null()).drop("site_id")
    if sorts.is_empty() or supply.is_empty():
        return empty(Exposure)
    at_site = sorts.join(supply, on="unit_id").join(
        power.select("unit_id", "empty_at_mean", "expected_dark_minutes", "expected_voter_minutes"), on="unit_id"
    )
    frame = (
        counted(at_site)
        .join(known.sites.select("site_id", "circuit"), on="site_id", how="left")
        .join(stops(stakes, at_site), on="site_id", how="left")
        .join(bounds(known, stakes, loads), on="site_id", how="left")
        .with_columns(pl.col(name).fill_null(0.0) for name in NOUGHTS)
        .with_columns(basis=basis())
        .sort("site_id")
    )
    return frame.select(list(empty(Exposure).columns))


def counted(at_site: pl.DataFrame) -> pl.DataFrame:
    """Units of each site by what they run on, and what their rows add up to."""
    off = pl.col("supply").is_in(["battery", "dark"])
    return at_site.group_by("site_id").agg(
        units=pl.len().cast(pl.Int64),
        units_off=off.sum().cast(pl.Int64),
        units_dark=(pl.col("supply") == "dark").sum().cast(pl.Int64),
        scanners_off=(off & (pl.col("sort") == "scanner").fill_null(False)).sum().cast(pl.Int64),
        poll_books_off=(off & (pl.col("sort") == "checkin").fill_null(False)).sum().cast(pl.Int64),
        accessible_off=(off & pl.col("is_accessible")).sum().cast(pl.Int64),
        chance_off=pl.coalesce(pl.col("chance_off").filter(off).max(), pl.col("chance_off").max()),
        empty_at_first=pl.col("empty_at_mean").min(),
        expected_dark_minutes=pl.col("expected_dark_minutes").sum(),
        expected_voter_minutes=pl.col("expected_voter_minutes").sum(),
        restoration_at=pl.col("restoration_at").max(),
        marks=pl.col("marks").drop_nulls().unique().sort().str.join("; "),
        says=pl.col("basis").filter(off).sort().first(),
    ).with_columns(marks=pl.when(pl.col("marks") != "").then("marks"))  # fmt: skip


def basis() -> pl.Expr:
    """What a site's row stands on, in words."""
    kinds = pl.format(
        "{} of {} units off mains ({} scanners, {} poll books, {} accessible)",
        "units_off",
        "units",
        "scanners_off",
        "poll_books_off",
        "accessible_off",
    )
    words = pl.concat_str(kinds, pl.lit("; "), "says", ignore_nulls=True)
    return pl.when(pl.col("units_off") > 0).then(words).otherwise(pl.lit("no unit off mains"))


def by_site(stakes: Stakes) -> tuple[list[str], NDArray[np.int64], NDArray[np.int64]]:
    """The sites of the units off mains, each unit's place among them, and a unit of each (which has its outage)."""
    names = np.asarray(stakes.units["site_id"].fill_null("").to_list(), dtype=str)
    sites, one, place = np.unique(names, return_index=True, return_inverse=True)
    return [str(site) for site in sites], np.asarray(place, np.int64), np.asarray(one, np.int64)


def stops(stakes: Stakes, at_site: pl.DataFrame) -> pl.DataFrame:
    """By site, the chance that all its units of a sort go dark before power returns or the scheduled closing.

    Given the outage the units run down independently. A unit on mains keeps its sort going.
    """
    sites, place, one = by_site(stakes)
    found = pl.DataFrame({"site_id": sites}, schema={"site_id": pl.String})
    for sort, name in STOPS.items():
        belongs = pl.col("is_accessible") if sort == "accessible" else (pl.col("sort") == sort).fill_null(False)
        rows = np.flatnonzero(stakes.units.select(belongs).to_series().to_numpy())
        there = at_site.filter(belongs).group_by("site_id").len()
        many = found.join(there, on="site_id", how="left", maintain_order="left")["len"].fill_null(0).to_numpy()
        held = np.bincount(place[rows], minlength=len(sites))
        logs = np.zeros((len(sites), len(stakes.u)))
        np.add.at(logs, place[rows], np.log(np.maximum(stakes.gone[rows], 1e-300)))
        chance = np.where((held > 0) & (held == many), chance_before(stakes, np.exp(logs), one), 0.0)
        found = found.with_columns(pl.Series(name, chance, dtype=pl.Float64))
    return found


def chance_before(stakes: Stakes, gone: Floats, one: NDArray[np.int64]) -> Floats:
    """Chance of being gone before power returns or the closing; `one`: a unit of each site, which has its outage."""
    dark_now = gone[:, 0] >= 1.0 - 1e-12
    chance = chance_gone(stakes.u, stakes.lasts[one], gone, stakes.left[one])
    return np.where(dark_now, 1.0, np.clip(chance, 0.0, 1.0))


def bounds(known: Known, stakes: Stakes, loads: pl.DataFrame) -> pl.DataFrame:
    """By site: voter-minutes at 5 % and 95 %, and when power returns."""
    sites, place, one = by_site(stakes)
    ends = stakes.u[COARSE::COARSE]
    cost = np.zeros((len(sites), len(ends), len(EARLY_TO_LATE)))
    np.add.at(cost, place, cost_if_ended(stakes, ends))
    lasts = stakes.lasts[one]
    low, high = spread_of(
        lasts[:, ::COARSE], cost, load_spread(pl.DataFrame({"site_id": sites}, schema={"site_id": pl.String}), loads)
    )
    back = {f"back_at_{n}": back_at(known.at, stakes.u, lasts, q) for n, q in BACK.items()}
    columns = {"site_id": pl.Series(sites, dtype=pl.String), "voter_minutes_low": low, "voter_minutes_high": high}
    return pl.DataFrame(columns | back)


def back_at(at: datetime, u: Floats, lasts: Floats, share: float) -> pl.Series:
    """When power has returned with the given probability, at most the end of the grid."""
    column = np.minimum((lasts > 1 - share).sum(axis=1), len(u) - 1) if len(lasts) else np.zeros(0, int)
    return at_offset(at, u[column] if len(lasts) else np.zeros(0))


def circuits(known: Known, exposed: pl.DataFrame) -> pl.DataFrame:
    """One row a circuit of the roster or of the utility's list: Circuits."""
    names = list(empty(Circuits).columns)
    days = day_outages(known)
    running = days.filter(~pl.col("is_over")).group_by("circuit", maintain_order=True).last()
    listed = pl.concat([known.sites["circuit"], known.outages["circuit"]]).drop_nulls().unique().sort().to_frame()
    if listed.is_empty():
        return empty(Circuits)
    summed = ("units", "units_off", "units_dark", "expected_dark_minutes", "expected_voter_minutes",
              "voter_minutes_low", "voter_minutes_high")  # fmt: skip
    latest = ("chance_off", "restoration_at", "back_at_low", "back_at_median", "back_at_high")
    by_circuit = (
        exposed.filter(pl.col("circuit").is_not_null())
        .group_by("circuit")
        .agg(pl.col(summed).sum(), pl.col(latest).max())
    )
    sites = known.sites.group_by("circuit").agg(sites=pl.len().cast(pl.Int64))
    odd = marks.odd_outages(known).group_by("circuit").agg(marks=pl.col("says").unique().sort().str.join("; "))
    frame = listed.join(sites, on="circuit", how="left").join(by_circuit, on="circuit", how="left")
    frame = frame.join(running.select("circuit", "outage_id", "started_at"), on="circuit", how="left")
    frame = frame.join(odd, on="circuit", how="left").sort("circuit")
    return frame.with_columns(pl.col("sites", *summed).fill_null(0), basis=pl.lit(length_words(known))).select(names)


def length_words(known: Known) -> str:
    """What the length of an outage stands on, in words."""
    fit = lengths(known)
    errors = fit.promised.errors
    mean = float(np.exp(fit.fit.effects[0] + (fit.fit.sigma**2 + fit.fit.covariance[0, 0]) / 2))
    return (
        f"outages last {mean:.0f} min in the mean (settings and {day_outages(known).height} of today); first promises "
        f"come true at {np.exp(errors.first[0]):.2f} of their minutes, revised ones at {np.exp(errors.revised[0]):.2f}"
    )
