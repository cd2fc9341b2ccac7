"""If a circuit went out: what an outage of a given start and length would cost, before the day or during it.

For placing spare batteries the day before: `all` compares every circuit of the roster. Method: docs/methods/power.md.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import cast

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from pipeline.contracts.asked import IfOut
from pipeline.contracts.events import StatusRows
from pipeline.contracts.known import empty
from pipeline.errors import EstimateError
from pipeline.estimates.power import charge
from pipeline.estimates.power.condense import Brief
from pipeline.estimates.power.instants import at_offset
from pipeline.estimates.power.learnt import learnt_fleet
from pipeline.estimates.power.stakes import at_stake, integrals, sorted_units

Floats = NDArray[np.float64]
EVERY = "all"
STEPS = 400  # points of the grid over the outage [count]
LONGEST = 2880.0  # two days [min]


@dataclass(frozen=True)
class Supposed:
    """An outage that is supposed: the circuit (`all`: each by itself), its start and its length [min]."""

    circuit: str
    from_at: datetime
    minutes: float


def supposed(text: str, now: datetime, clock: Callable[[str], datetime]) -> Supposed:
    """CIRCUIT@T+MINUTES, read: T is the letter itself (the time asked for), HH:MM local, or a time with an offset."""
    found = re.fullmatch(r"(?P<circuit>.+)@(?P<time>.+)\+(?P<minutes>\d+(\.\d+)?)", text.strip())
    if found is None or not 0 < float(found["minutes"]) <= LONGEST:
        raise EstimateError(
            f"--if-out {text}: not CIRCUIT@TIME+MINUTES of at most {LONGEST:.0f} minutes. Write it like C7@10:30+90."
        )
    start = now if found["time"] == "T" else clock(found["time"])
    return Supposed(found["circuit"], start, float(found["minutes"]))


def if_out(known: Brief, loads: pl.DataFrame, outage: Supposed) -> pl.DataFrame:
    """What it would cost: a row a site of the circuit and one for the whole; for `all`, a row a circuit. IfOut.

    `loads` are SiteLoads at the start of the outage. Every unit is on mains until then; the length is taken as given.
    """
    places = known.sites.filter(pl.col("circuit").is_not_null())
    if outage.circuit != EVERY:
        places = places.filter(pl.col("circuit") == outage.circuit)
        if places.is_empty():
            raise EstimateError(
                f"--if-out: no site of the roster is on circuit {outage.circuit}. Name one that sites.csv has, or all."
            )
    units = sorted_units(known).join(places.select("site_id", "circuit"), on="site_id")
    if units.is_empty():
        return empty(IfOut)
    told = costs(known, units.sort("unit_id"), loads, outage)
    whole = summed(told, ["circuit"]).with_columns(site_id=pl.lit(None, dtype=pl.String))
    parts = [whole] if outage.circuit == EVERY else [summed(told, ["circuit", "site_id"]), whole]
    rows = pl.concat([part.select(sorted(part.columns)) for part in parts]).with_columns(
        from_at=pl.lit(outage.from_at).cast(pl.Datetime("us", "UTC")),
        until_at=pl.lit(outage.from_at + timedelta(minutes=outage.minutes)).cast(pl.Datetime("us", "UTC")),
        basis=pl.lit(f"every unit on mains until then; off for {outage.minutes:.0f} min, taken as given"),
    )
    cost = ("expected_voter_minutes", "expected_dark_minutes", "units")
    ranked = rows.sort(
        pl.col("site_id").is_not_null(), *cost, "circuit", "site_id", descending=[False, *[True] * 3, False, False]
    )
    return ranked.with_row_index("rank", offset=1).with_columns(rank=pl.col("rank").cast(pl.Int64)).select(
        list(empty(IfOut).columns)
    )  # fmt: skip


def costs(known: Brief, units: pl.DataFrame, loads: pl.DataFrame, outage: Supposed) -> pl.DataFrame:
    """By unit: when it would be empty, the chance of that before the end, dark minutes and voter-minutes."""
    earlier = cast(DataFrame[StatusRows], known.status.filter(pl.col("occurred_at") <= outage.from_at))
    then = Brief(replace(known, at=outage.from_at, status=earlier))
    since = pl.lit(outage.from_at).cast(pl.Datetime("us", "UTC"))
    off = units.with_columns(outage_since=since)
    d = charge.discharges(then, off.select("unit_id", "site_id", "outage_since"), learnt_fleet(then))
    open_for, waiting, arrivals = at_stake(then, off, loads)
    left = np.minimum(open_for, outage.minutes)
    u = np.linspace(0.0, outage.minutes, STEPS)
    lasts = np.ones((len(left), STEPS))
    gone = d.empty_by(u[None, :])
    chance, dark, voters = integrals(u, lasts, gone, left, waiting, arrivals)
    bounds = {}
    for name, share in (("low", 0.95), ("high", 0.05)):
        runs = np.clip(left - np.maximum(d.quantile(share), 0.0), 0.0, None)
        bounds[f"voter_minutes_{name}"] = waiting * runs + arrivals * runs**2 / 2
    return units.with_columns(
        pl.Series("chance_dark", np.clip(chance, 0, 1)),
        pl.Series("expected_dark_minutes", dark),
        pl.Series("expected_voter_minutes", voters),
        *(pl.Series(name, value) for name, value in bounds.items()),
        at_offset(outage.from_at, d.quantile(0.5)).alias("empty_at_first"),
    )


def summed(told: pl.DataFrame, keys: list[str]) -> pl.DataFrame:
    """The units of a site, or of a circuit, together."""
    accessible = pl.col("is_accessible")
    return told.group_by(keys).agg(
        sites=pl.col("site_id").n_unique().cast(pl.Int64),
        units=pl.len().cast(pl.Int64),
        units_dark=pl.col("chance_dark").sum(),
        scanners_dark=pl.col("chance_dark").filter(pl.col("sort") == "scanner").sum(),
        poll_books_dark=pl.col("chance_dark").filter(pl.col("sort") == "checkin").sum(),
        accessible_dark=pl.col("chance_dark").filter(accessible).sum(),
        empty_at_first=pl.col("empty_at_first").min(),
        expected_dark_minutes=pl.col("expected_dark_minutes").sum(),
        expected_voter_minutes=pl.col("expected_voter_minutes").sum(),
        voter_minutes_low=pl.min_horizontal(pl.col("voter_minutes_low").sum(), pl.col("expected_voter_minutes").sum()),
        voter_minutes_high=pl.max_horizontal(
            pl.col("voter_minutes_high").sum(), pl.col("expected_voter_minutes").sum()
        ),
    )


def loads_at(loads: pl.DataFrame, site_ids: list[str], rates: Floats, minute: int) -> pl.DataFrame:
    """SiteLoads at another time: arrivals expected in the hour that begins there, nobody in line yet.

    Parameters
    ----------
    site_ids, rates : arrivals expected, sites x minutes [1/min]
    minute : column of `rates` at which the outage would begin
    """
    start = min(max(minute, 0), rates.shape[1])
    hour = rates[:, start : start + 60]
    mean = hour.sum(axis=1) / 60 if hour.size else np.zeros(len(site_ids))
    pace = pl.DataFrame({"site_id": site_ids, "pace": np.asarray(mean, float)})
    nought = pl.lit(0.0)
    joined = loads.join(pace, on="site_id", how="left").with_columns(
        checkin_waiting=nought, scanner_waiting=nought, arrivals_per_minute=pl.col("pace").fill_null(0.0)
    )
    return joined.drop("pace")
