"""Units that fail more often than their like, with partial pooling over the fleet.

Method and limits: docs/methods/repeats.md.
"""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special, stats

from pipeline.contracts import estimates
from pipeline.contracts.further import FURTHER
from pipeline.contracts.known import Known, empty
from pipeline.estimates.failures import prior, rates, reliability
from pipeline.estimates.failures.exposure import Ledger
from pipeline.estimates.failures.exposure import ledger as ledger_of
from pipeline.estimates.failures.fixes import with_came_back
from pipeline.estimates.failures.limits import with_limits
from pipeline.estimates.failures.trends import with_trends

Floats = NDArray[np.float64]
AS_BAD = 5.0  # how bad a unit is that `chance_found` asks about: times the fleet's rate; our choice [-]
MOST_COUNTED = 60  # a unit with more faults than this is seen for certain; bounds the search [count]


def record(
    known: Known, faults: pl.DataFrame, earlier: Sequence[pl.DataFrame] = (), ledger: Ledger | None = None
) -> pl.DataFrame:
    """Faults, exposure and what was due, by unit and class of fault, with what earlier elections say."""
    carried = prior.carried(known.units, earlier, known.settings["repeats.prior_discount"])
    return rates.record((ledger or ledger_of(known)).exposures, faults, carried)


def repeats(
    known: Known, faults: pl.DataFrame, earlier: Sequence[pl.DataFrame] = (), ledger: Ledger | None = None
) -> pl.DataFrame:
    """Every rostered unit, ranked by its expected rate ratio to the fleet of its type.

    Parameters
    ----------
    faults : Faults
    earlier : records of earlier elections, the latest first
    """
    if known.units.is_empty():
        return empty(estimates.Repeats)
    s = known.settings
    ledger = ledger or ledger_of(known)
    by_unit = units(ledger.exposures, record(known, faults, earlier, ledger))
    judged_units = judged(rates.pooled(by_unit), s["repeats.false_discovery_rate"], s["repeats.watch_chance"])
    frame = with_chance_found(judged_units, s["repeats.false_discovery_rate"], s["repeats.watch_chance"])
    order = ["rate_ratio_mean", "faults", "unit_id"]
    ranked = frame.sort(order, descending=[True, True, False]).with_row_index("rank", offset=1)
    told = with_came_back(with_trends(with_limits(ranked, faults, s), faults), known, faults)
    names = list(empty(estimates.Repeats).columns)
    return (
        told.with_columns(pl.col("rank", "faults").cast(pl.Int64), faults_weighed="weight", basis=basis())
        .select(*names, *FURTHER["repeats"])
        .sort("rank")
    )


def units(exposures: pl.DataFrame, by_class: pl.DataFrame) -> pl.DataFrame:
    """The classes of each unit summed up, a row for every rostered unit, with the class that stands out most."""
    over = pl.col("weight") - pl.col("expected_faults")
    told = by_class.sort("unit_id", over, "fault_class", descending=[False, True, False])
    sums = told.group_by("unit_id").agg(
        pl.col("weight", "expected_faults", "faults", "prior_faults", "prior_expected", "prior_sure").sum(),
        mostly=pl.col("fault_class").filter(pl.col("weight") > 0).first(),
    )
    exposed = exposures.join(sums, on="unit_id", how="left")
    filled = ("weight", "expected_faults", "faults", "prior_faults", "prior_expected", "prior_sure")
    return exposed.with_columns(pl.col(filled).fill_null(0)).sort("unit_id")


def kinds(known: Known, by_class: pl.DataFrame) -> pl.DataFrame:
    """Every unit and class of fault with a fault or an earlier record: `estimates.Kinds`.

    The q-values are over every unit and class that was looked at, also those without a fault.
    """
    if by_class.is_empty():
        return empty(estimates.Kinds)
    group = pl.format("{} {}", "type", "fault_class")
    found = rates.pooled(by_class.with_columns(group=group), by="group")
    s = known.settings
    told = judged(found, s["repeats.false_discovery_rate"], s["repeats.watch_chance"])
    rows = told.filter((pl.col("weight") > 0) | (pl.col("prior_faults") > 0))
    order = ["rate_ratio_mean", "faults", "unit_id", "fault_class"]
    names = list(empty(estimates.Kinds).columns)
    return rows.sort(order, descending=[True, True, False, False]).rename({"weight": "faults_weighed"}).select(names)


def judged(frame: pl.DataFrame, discovery_rate: float, watch: float) -> pl.DataFrame:
    """Adds q_value and standing. Never by the raw rate: one fault in few ballots is chance."""
    q = reliability.benjamini_hochberg(frame["p_value"].to_numpy())
    earlier = pl.col("prior_sure") if "prior_sure" in frame.columns else pl.lit(0)
    is_sure = (pl.col("q_value") <= discovery_rate) & (pl.col("faults") + earlier >= 2)
    is_over = pl.col("chance_over_3") > watch
    return frame.with_columns(q_value=pl.Series(q)).with_columns(
        standing=pl.when(is_sure & is_over)
        .then(pl.lit("confirmed"))
        .when(is_over | is_sure)
        .then(pl.lit("watch"))
        .otherwise(pl.lit("ordinary"))
    )


def with_chance_found(frame: pl.DataFrame, discovery_rate: float, watch: float) -> pl.DataFrame:
    """Adds `chance_found`: that a unit of this exposure would be confirmed by now, were it `AS_BAD` times the fleet.

    The least count that is confirmed is the one whose tail is below the first steps of Benjamini and Hochberg and whose
    posterior is over three; the chance is the Poisson tail of that count at `AS_BAD` times what was due.
    """
    due = frame["expected_faults"].to_numpy() + frame["prior_expected"].to_numpy()
    shape = frame["shape"].to_numpy()
    level = discovery_rate * max(1, frame.filter(pl.col("standing") == "confirmed").height) / max(1, frame.height)
    chance = np.zeros(frame.height)
    for one in np.unique(shape):
        rows = (shape == one) & (due > 0)
        if rows.any():
            grid = np.geomspace(due[rows].min(), due[rows].max() * (1 + 1e-9), 48)
            chance[rows] = np.interp(np.log(due[rows]), np.log(grid), found_at(grid, one, level, watch))
    return frame.with_columns(chance_found=pl.Series(np.clip(chance, 0, 1)))


def found_at(due: Floats, shape: float, level: float, watch: float) -> Floats:
    """The chance to be confirmed, were the rate `AS_BAD` times the fleet's, for each number of faults due."""
    n = np.arange(2, MOST_COUNTED + 1)[None, :]
    is_sure = special.gammainc(n, due[:, None]) <= level
    is_over = special.gammaincc(shape + n, rates.OVER * (shape + due[:, None])) > watch
    enough = is_sure & is_over
    least = np.where(enough.any(axis=1), enough.argmax(axis=1) + 2, MOST_COUNTED + 1)
    return np.asarray(stats.poisson.sf(least - 1, AS_BAD * due), float)


def basis() -> pl.Expr:
    """What a row stands on: whence the exposure, earlier elections, and what is odd about the counts."""
    carried = pl.when(pl.col("prior_expected") > 0).then(
        pl.format("; earlier elections add {} faults", pl.col("prior_faults").round(1))
    )
    odd = pl.when(pl.col("oddities").is_not_null()).then(pl.format("; {}", "oddities"))
    ground = (
        pl.when(pl.col("exposure_ballots").is_not_null())
        .then(pl.lit("ballots by its counter, other faults by hours"))
        .when(pl.col("exposure_hours") > 0)
        .then(pl.lit("no counter: hours at work alone"))
        .otherwise(pl.lit("not at work yet"))
    )
    return pl.concat_str([ground, carried.fill_null(""), odd.fill_null("")])


def caution(frame: pl.DataFrame) -> str:
    """The sentence that goes with every list of repeat failures, with the day's own figures."""
    at_work = frame.filter((pl.col("exposure_hours") > 0) & (pl.col("expected_faults") > 0))
    if at_work.is_empty():
        return "No unit has been at work long enough to be told from its like."
    has = pl.col("exposure_ballots").is_not_null()
    counting, rest = (at_work.filter(side)["chance_found"].to_numpy() for side in (has, ~has))
    parts = [
        f"{100 * float(np.mean(found)):.0f} % of {who}"
        for found, who in ((counting, "those that count their ballots"), (rest, "the others"))
        if len(found)
    ]
    return (
        f"One day misses most bad units: of units that fail {AS_BAD:g} times as often as their like, about "
        f"{' and '.join(parts)} would be confirmed by now. A unit that is not listed has not been found sound."
    )
