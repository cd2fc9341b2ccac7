"""Parts: what each vehicle should load in the morning, from last election's failures, and what to hand over today.

What a vehicle will need of a part is a count with a mean that is itself uncertain: gamma-Poisson, so negative binomial.
The best load is the newsvendor's: the least number that covers the critical fractile c_short/(c_short + c_spare) of it.
"""

from collections.abc import Callable, Mapping

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.needs import joined
from pipeline.estimates.dispatch.reasons import name_of
from pipeline.estimates.dispatch.rovers import fits, parts_of

LOADS = {
    "rover_id": pl.String,
    "part": pl.String,
    "carried": pl.Int64,
    "expected": pl.Float64,
    "load": pl.Int64,
    "chance_short": pl.Float64,
    "chance_short_as_is": pl.Float64,
}
HANDED = {"part": pl.String, "from": pl.String, "to": pl.String, "for_site_id": pl.String, "why": pl.String}


def critical_fractile(short: float, spare: float) -> float:
    """The share of days that a load should cover: c_short / (c_short + c_spare).

    Source: the newsvendor (Arrow, Harris & Marschak 1951; Edgeworth 1888), as in any text on inventories.
    """
    return short / (short + spare) if short + spare > 0 else 0.0


def newsvendor(fractile: float, quantile: Callable[[float], float]) -> float:
    """The quantity that covers the fractile of the demand whose quantile function this is."""
    return float(quantile(fractile))


def demand(mean: float, shape: float) -> tuple[float, float]:
    """The negative binomial's n and p for a gamma-Poisson of this mean, `shape` being the gamma's."""
    return shape, shape / (shape + max(mean, 1e-12))


def vehicle_loads(known: Known, used: pl.DataFrame) -> pl.DataFrame:
    """What each vehicle should load of each part that any vehicle carries.

    Parameters
    ----------
    used : `category` and `count`, what failed at the last election and needed a rover: `failures_by_category`

    Returns
    -------
    frame of rover_id, part, carried (in the roster), expected (mean need of one vehicle), load, chance_short (with that
    load), chance_short_as_is. The last election's failures are shared equally between the vehicles; where several parts
    fit one trouble each counts as wanted.
    """
    from scipy.stats import nbinom  # takes most of a second to load, and the board needs only the hand-overs below

    stocks = {row["rover_id"]: parts_of(row["parts"]) for row in known.rovers.sort("rover_id").iter_rows(named=True)}
    names = sorted({name for stock in stocks.values() for name in stock})
    counts: dict[str, float] = dict(used.group_by("category").agg(pl.col("count").sum()).iter_rows())
    fractile = critical_fractile(known.settings["parts.short_cost"], known.settings["parts.spare_cost"])
    rows = []
    for rover_id, stock in stocks.items():
        for name in names:
            mean = wanted(name, counts) / len(stocks)
            n, p = demand(mean, known.settings["parts.shape"])
            load = int(newsvendor(fractile, lambda q, n=n, p=p: float(nbinom.ppf(q, n, p)))) if mean > 0 else 0  # type: ignore[misc]
            carried = stock.get(name, 0)
            short = [float(nbinom.sf(count, n, p)) if mean > 0 else 0.0 for count in (load, carried)]
            rows.append((rover_id, name, carried, mean, load, *short))
    return pl.DataFrame(rows, schema=LOADS, orient="row")


def wanted(part: str, counts: Mapping[str, float]) -> float:
    """How many of a part the failures of these categories would have wanted, over all vehicles."""
    return sum(count for category, count in counts.items() if fits(category, part))


def failures_by_category(known: Known, tickets: pl.DataFrame) -> pl.DataFrame:
    """What a day's visits were for: `category` and `count` of the tickets that a rover reached, repeats left out."""
    visited = joined(known, tickets).filter(pl.col("arrived_at").is_not_null() & pl.col("same_as").is_null())
    return visited.group_by("category").agg(count=pl.len().cast(pl.Float64)).sort("category")


def hand_overs(known: Known, plan: pl.DataFrame) -> pl.DataFrame:
    """What one rover should hand to another: a stop that no part on board fits, and a vehicle that has one to spare.

    Parameters
    ----------
    plan : the estimate Dispatch, with `categories`
    """
    stocks = {row["rover_id"]: parts_of(row["parts"]) for row in known.rovers.iter_rows(named=True)}
    for row in plan.sort("rover_id", "stop").iter_rows(named=True):
        for name in row["parts"]:
            if stocks.get(row["rover_id"], {}).get(name, 0) > 0:
                stocks[row["rover_id"]][name] -= 1
    rows = []
    for row in plan.sort("rover_id", "stop").iter_rows(named=True):
        for category in row.get("categories") or []:
            if any(fits(category, name) for name in row["parts"]):
                continue
            spare = [
                (-count, rover_id, name)
                for rover_id, stock in stocks.items()
                for name, count in stock.items()
                if rover_id != row["rover_id"] and count > 0 and fits(category, name)
            ]
            if spare:
                _, giver, name = min(spare)
                stocks[giver][name] -= 1
                there = name_of(known, row["site_id"])
                why = f"{row['rover_id']} has no part for {category.replace('-', ' ')} at {there}"
                rows.append(
                    (name, giver, row["rover_id"], row["site_id"], f"{why}; {giver} has more than its stops need.")
                )
    return pl.DataFrame(rows, schema=HANDED, orient="row")
