"""When each site and the county will be done: the last step of custody, forecast from the steps reported so far."""

import hashlib
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special, stats

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty

Floats = NDArray[np.float64]
# The steps from closing to the end, each after the one before it (contract); `transmitted` runs beside them.
CHAIN = ("closed", "last-voter", "results-tape", "media-sealed", "media-handed-over", "media-received")
DRAWS = 400  # simulated nights; our choice [count]
POOLED = 3.0  # weight of the usual spread beside the night's own gaps, as so many sites; our choice [count]
PRIOR_DOUBT = 0.6  # doubt of a gap's usual length before any was seen (sd of its logarithm); our choice [-]
SPREAD = 0.5  # spread of a gap before any was seen (sd of its logarithm); our choice [-]
LEAST_GAP = 0.5  # two steps reported at one moment lie so far apart [min]


def finish(known: Known, steps: pl.DataFrame) -> pl.DataFrame:
    """When each site is done, and the county (site_id null, the first row): `estimates.Finish`.

    The gap between two steps is lognormal. Its mean and spread are learnt from the sites that have reported both or
    wait for the second, pooled with the due times; a site that waits has its gap cut off below. One draw shares the
    doubt of the means over all sites, so that a slow night is slow everywhere.

    Parameters
    ----------
    steps : the estimate `milestones`
    """
    sites = known.sites.select("site_id", "opens_at", "closes_at").sort("site_id")
    table = times_of(steps)
    chain = [name for name in CHAIN if name == "closed" or any(name in row for row in table.values())]
    if sites.is_empty() or len(chain) < 2:
        return empty(estimates.Finish)
    lag = report_lag(known)
    gaps = learnt(known, table, chain, lag)
    rng = np.random.default_rng(seed_of(known))
    slow = {name: rng.standard_normal(DRAWS) for name in chain}
    ends, waits = [], []
    for site_id, _, closes_at in sites.iter_rows():
        minutes, waits_for = one_site(known.at, table.get(site_id, {}), chain, closes_at, gaps, slow, lag, rng)
        ends.append(minutes)
        waits.append(waits_for)
    left = sum(step is not None for step in waits)
    minutes = np.array([np.max(ends, axis=0), *ends])
    ids, steps_left = [None, *sites["site_id"]], [f"{left} sites" if left else None, *waits]
    lows, highs = np.quantile(minutes, [0.05, 0.95], axis=1)
    rows = [told(known.at, *row) for row in zip(ids, steps_left, lows, minutes.mean(axis=1), highs, strict=True)]
    return pl.DataFrame(rows, schema=empty(estimates.Finish).schema, orient="row")


def seed_of(known: Known) -> int:
    """Seed from the county's name and the day."""
    text = f"{known.county.name} {known.county.election_day} finish"
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


def times_of(steps: pl.DataFrame) -> dict[str, dict[str, tuple[datetime | None, datetime | None]]]:
    """By site and step of the chain: when it was done and when it is due."""
    found: dict[str, dict[str, tuple[datetime | None, datetime | None]]] = {}
    own = steps.filter(pl.col("milestone").is_in(list(CHAIN)))
    for site_id, name, at, due_at in own.select("site_id", "milestone", "at", "due_at").iter_rows():
        found.setdefault(site_id, {})[name] = (at, due_at)
    return found


def learnt(
    known: Known, table: dict[str, dict[str, Any]], chain: list[str], lag: float
) -> dict[str, tuple[float, float, float]]:
    """Step → mean and spread of the logarithm of its gap to the one before [log min], and the doubt of that mean.

    Sites that wait for a step count too, as gaps longer than their wait (EM steps): the ones done first are the quick
    ones. A wait ends so long before T as reports take to arrive (`lag` [min]). The due times are what is allowed;
    before any gap was seen a step is taken to need `milestones.gap_share` of that.
    """
    gaps = {}
    for before, name in pairwise(chain):
        both = [(row[before], row[name]) for row in table.values() if before in row and name in row]
        seen = np.log([minutes_between(a[0], b[0]) for a, b in both if a[0] and b[0]])
        heard_until = known.at - timedelta(minutes=lag)
        waits = np.log([minutes_between(row[before][0], heard_until) for row in waiting(table, chain, before)])
        due = [minutes_between(a[1], b[1]) for a, b in both if a[1] and b[1]]
        allowed = float(np.median(due)) if due else 30.0
        usual = float(np.log(max(LEAST_GAP, allowed * known.settings["milestones.gap_share"])))
        gaps[name] = fitted(seen, waits, usual)
    return gaps


def waiting(table: dict[str, dict[str, Any]], chain: list[str], name: str) -> list[dict[str, Any]]:
    """Sites whose last reported step of the chain this is: a step passed over in the reports is not waited for."""
    later = chain[chain.index(name) + 1 :]
    return [
        row for row in table.values() if row.get(name, (None,))[0] and not any(row.get(n, (None,))[0] for n in later)
    ]


def report_lag(known: Known) -> float:
    """Minutes from a step to its receipt, of the slower quarter of reports; 15 while there are none (our choice)."""
    told = known.milestones.select(lag=(pl.col("received_at") - pl.col("at")).dt.total_seconds() / 60)["lag"]
    late = told.drop_nulls().quantile(0.75)
    return 15.0 if late is None else float(min(max(late, 0.0), 120.0))


def fitted(seen: Floats, waits: Floats, usual: float) -> tuple[float, float, float]:
    """Mean, spread and doubt of the mean of a normal, from values and from lower bounds of values, with a prior."""
    mean, spread = usual, SPREAD
    n = len(seen) + len(waits)
    for _ in range(8):
        z = (waits - mean) / spread
        ratio = np.exp(stats.norm.logpdf(z) - stats.norm.logsf(z))  # mean excess of a normal cut off below
        filled, extra = mean + spread * ratio, spread**2 * np.clip(1 + z * ratio - ratio**2, 0, 1)
        weight = spread**2 / PRIOR_DOUBT**2
        mean = float((seen.sum() + filled.sum() + weight * usual) / (n + weight))
        squares = ((seen - mean) ** 2).sum() + ((filled - mean) ** 2 + extra).sum()
        spread = float(np.sqrt((squares + POOLED * SPREAD**2) / (n + POOLED)))
    doubt = 1 / np.sqrt(len(seen) / spread**2 + 1 / PRIOR_DOUBT**2)
    return mean, spread, float(doubt)


def minutes_between(start: datetime, end: datetime) -> float:
    """Minutes from one to the other, at least `LEAST_GAP`."""
    return max(LEAST_GAP, (end - start).total_seconds() / 60)


def one_site(
    now: datetime,
    row: dict[str, tuple[datetime | None, datetime | None]],
    chain: list[str],
    closes_at: datetime,
    gaps: dict[str, tuple[float, float, float]],
    slow: dict[str, Floats],
    lag: float,
    rng: np.random.Generator,
) -> tuple[Floats, str | None]:
    """Minutes from T to the last step in every draw, below nought where it is past, and the step waited for."""
    done = [i for i, name in enumerate(chain) if row.get(name, (None, None))[0]]
    last = max(done, default=-1)
    if last == len(chain) - 1:
        end = row[chain[last]][0]
        return np.full(DRAWS, (end - now).total_seconds() / 60 if end else 0.0), None
    start = row[chain[last]][0] if last > 0 else None
    # Until something after closing is reported, the chain hangs on the scheduled closing.
    begun = (max(start or closes_at, closes_at if last <= 0 else start or closes_at) - now).total_seconds() / 60
    at, first = np.full(DRAWS, begun), max(last, 0) + 1
    for nth, name in enumerate(chain[first:]):
        mean, spread, doubt = gaps[name]
        centre = mean + doubt * slow[name]
        waited = np.log(-begun - lag) if nth == 0 and -begun - lag > LEAST_GAP else -np.inf
        floor = special.ndtr((waited - centre) / spread)
        share = np.minimum(floor + (1 - floor) * rng.random(DRAWS), 1 - 1e-9)
        at = at + np.asarray(np.exp(centre + spread * special.ndtri(share)), float)
    return np.maximum(at, -lag), chain[first]  # the last step may have been done and its report be under way


def told(now: datetime, site_id: str | None, waits: str | None, low: float, mean: float, high: float) -> dict[str, Any]:
    """One row, from the minutes that are left."""
    at = {"low": low, "mean": mean, "high": high}
    stood = "reported" if waits is None else "from the gaps between steps so far tonight, pooled with the due times"
    return {
        "site_id": site_id,
        "is_done": waits is None,
        **{f"done_at_{name}": now + timedelta(minutes=float(value)) for name, value in at.items()},
        "waiting_for": waits,
        "basis": stood,
    }
