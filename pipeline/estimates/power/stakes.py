"""What going dark costs: chance, dark minutes and voter-minutes, from when a unit is empty and how long power is out.

Method: docs/methods/power.md.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from pipeline.contracts.events import UnitRows
from pipeline.contracts.known import Known
from pipeline.estimates.power import batteries, outages, promises
from pipeline.estimates.power.charge import Discharge
from pipeline.estimates.power.circuits import Lengths
from pipeline.estimates.power.instants import at_offset, moment
from pipeline.estimates.power.loops import empty_at, integrate, parts_before

Floats = NDArray[np.float64]
CHECKIN_TYPES = ("electronic-poll-book",)
SCANNER_TYPES = ("scan-single", "scan-batch")
STANDARD_MINUTES = 120.0  # VVSG 2.0, 2.7-H: what a unit must run without mains [min]
# Every fourth point of the grid tells a quantile as well: the cost rises steadily with the outage's length.
COARSE = 4  # our choice [count]
BLOCK = 100  # units whose costs are worked out at a time; our choice [count]
NO_MINUTES = 1e-3  # less than this is nought: rounding of tiny chances [voter-minutes]
# Three points and weights of a standard normal, Gauss-Hermite: the doubt of the voters still to come.
NODES = np.array([-np.sqrt(3.0), 0.0, np.sqrt(3.0)])
WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6
# A unit runs empty at one of these quantiles of its own distribution, each as likely: the middles of five fifths.
EARLY_TO_LATE = (0.1, 0.3, 0.5, 0.7, 0.9)


@dataclass(frozen=True)
class Stakes:
    """The units off mains, an array row each, in the order of `units` (unit_id, site_id, circuit, sort, supply …).

    u : minutes ahead, from 0
    lasts : probability that the outage lasts beyond each of them
    gone : probability that the unit is empty by each of them
    left : minutes to the scheduled closing
    waiting, arrivals : the unit's part of its line now, and of those who join it [count], [1/min]
    """

    units: pl.DataFrame
    discharge: Discharge
    u: Floats
    lasts: Floats
    gone: Floats
    left: Floats
    waiting: Floats
    arrivals: Floats

    @property
    def is_dark(self) -> NDArray[np.bool_]:
        """Which units are dark at T."""
        return np.asarray((self.units["supply"] == "dark").to_numpy(), bool)


def stakes_of(known: Known, supply: pl.DataFrame, loads: pl.DataFrame, lengths: Lengths, d: Discharge) -> Stakes:
    """Everything that is at stake at the units off mains; `d` has a row for each of them, by unit_id."""
    off = supply.filter(pl.col("supply").is_in(["battery", "dark"]) & pl.col("outage_since").is_not_null())
    places = known.sites.select("site_id", "circuit")
    off = off.sort("unit_id").join(places, on="site_id", how="left", maintain_order="left")
    there = known.units.join(off, on="site_id", how="semi", nulls_equal=True)
    beside = sorted_units(replace(known, units=cast(DataFrame[UnitRows], there))).drop("site_id")
    off = off.join(beside, on="unit_id", how="left", maintain_order="left")
    left, waiting, arrivals = at_stake(known, off, loads)
    # Many units share an outage, since the same moment and with the same promise: a row for each of these is enough.
    shared = ("circuit", "outage_since", "restoration_at", "promised_at", "is_revised")
    first = off.with_row_index("row").select(pl.col("row").first().over(shared)).to_series()
    one, which = np.unique(first.to_numpy(), return_inverse=True)
    promise = promises.promise_of(off[one], known, lengths.promised)
    u, lasts = outages.remaining_survival(lengths.of(off["circuit"][one]), d.age[one], promise)
    open_for = int(np.searchsorted(u, left.max(initial=0.0))) + 1
    gone = np.empty((off.height, len(u)))
    gone[:, :open_for] = d.empty_by(u[:open_for])
    gone[:, open_for:] = gone[:, open_for - 1 : open_for]  # after the last closing nothing counts
    gone[(off["supply"] == "dark").to_numpy()] = 1.0
    return Stakes(off, d, u, lasts[which], gone, left, waiting, arrivals)


def unit_costs(known: Known, at_risk: Stakes, loads: pl.DataFrame) -> pl.DataFrame:
    """Time to empty, chance of going dark, dark minutes and voter-minutes of the units off mains."""
    s, d, is_dark = at_risk, at_risk.discharge, at_risk.is_dark
    open_for = slice(int(np.searchsorted(s.u, s.left.max(initial=0.0))) + 1)
    chance, dark, voters = integrals(
        s.u[open_for], s.lasts[:, open_for], s.gone[:, open_for], s.left, s.waiting, s.arrivals
    )
    costs = cost_if_ended(s, s.u[COARSE::COARSE])
    low, high = spread_of(s.lasts[:, ::COARSE], costs, load_spread(s.units, loads))
    times = {"low": d.quantile(0.05), "mean": d.quantile(0.5), "high": d.quantile(0.95)}
    rated = s.units["rated_minutes"].to_numpy()
    frame = s.units.select("unit_id").with_columns(
        run_basis=run_basis(known, s.units),
        on_battery=pl.Series(~is_dark, dtype=pl.Boolean),
        chance_dark=pl.Series(np.where(is_dark, 1.0, np.clip(chance, 0, 1)), dtype=pl.Float64),
        expected_dark_minutes=pl.Series(dark, dtype=pl.Float64),
        expected_voter_minutes=pl.Series(voters, dtype=pl.Float64),
        voter_minutes_low=pl.Series(low, dtype=pl.Float64),
        voter_minutes_high=pl.Series(high, dtype=pl.Float64),
        empty_at_rated=at_offset(known.at, rated - d.age),
        empty_at_two_hours=at_offset(known.at, STANDARD_MINUTES - d.age),
        **{f"empty_at_{name}": at_offset(known.at, value) for name, value in times.items()},
    )
    names = [f"empty_at_{name}" for name in ("low", "mean", "high", "rated", "two_hours")]
    return frame.with_columns(pl.when("on_battery").then(pl.col(names))).drop("on_battery")


def in_blocks(work: Callable[..., tuple[Floats, ...]], *arrays: Floats) -> tuple[Floats, ...]:
    """What `work` makes of arrays with a row a unit, some rows at a time: what comes in between stays in the cache."""
    starts = range(0, max(len(arrays[0]), 1), BLOCK)
    found = [work(*(array[start : start + BLOCK] for array in arrays)) for start in starts]
    return tuple(np.concatenate(parts) for parts in zip(*found, strict=True))


def cost_if_ended(s: Stakes, ends: Floats) -> Floats:
    """Voter-minutes of each unit (rows) if power returned at each of these minutes (columns).

    The third axis: the unit runs empty early to late (`EARLY_TO_LATE`).
    """

    def costs(gone: Floats, left: Floats, waiting: Floats, arrivals: Floats) -> tuple[Floats]:
        until = np.minimum(ends[None, :], left[:, None])
        dark = np.maximum(until[:, :, None] - emptied(s.u, gone)[:, None, :], 0.0)
        return (waiting[:, None, None] * dark + arrivals[:, None, None] * dark**2 / 2,)

    return in_blocks(costs, s.gone, s.left, s.waiting, s.arrivals)[0]


def emptied(u: Floats, gone: Floats) -> Floats:
    """Minutes ahead at which each unit (rows) runs empty, early to late (columns): never within the grid, infinity."""
    found = np.empty((len(gone), len(EARLY_TO_LATE)))
    empty_at(u, gone, np.array(EARLY_TO_LATE), found)
    return found


def load_spread(units: pl.DataFrame, loads: pl.DataFrame) -> Floats:
    """Spread of the logarithm of the voters still to come at each unit's site, by the line estimate's 5 % and 95 %."""
    low, high = (pl.col(f"remaining_voters_{name}").clip(lower_bound=1) for name in ("low", "high"))
    doubt = loads.select("site_id", sd=(high / low).log() / (2 * 1.6449))
    joined = units.select("site_id").join(doubt, on="site_id", how="left", maintain_order="left")
    return np.clip(joined["sd"].fill_null(0.0).to_numpy().astype(float), 0.0, 2.0)


def spread_of(lasts: Floats, cost: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """5 % and 95 % of voter-minutes: over the outage's length, when units run empty, and the voters still to come.

    Parameters
    ----------
    lasts : probability that the outage lasts beyond each point of a grid, a row each
    cost : voter-minutes if it ends at each of these points but the first, by `EARLY_TO_LATE` (third axis)
    sd : spread of the logarithm of the voters still to come, a row each
    """
    low, high = np.zeros(len(cost)), np.zeros(len(cost))
    # Where it is all the same when a unit runs empty, as of a dark one, one emptying tells as much as all.
    is_alike = (cost == cost[:, :, :1]).all(axis=(1, 2))
    free = (cost[:, :, 0] < NO_MINUTES).sum(axis=1)
    for chosen, many in ((is_alike, 1), (~is_alike, cost.shape[2])):
        # Rows with as many points at nought stand together, as equal points of all of them count as one.
        order = np.flatnonzero(chosen)[np.argsort(free[chosen], kind="stable")]
        for start in range(0, len(order), BLOCK):
            rows = order[start : start + BLOCK]
            low[rows], high[rows] = bounds(lasts[rows], cost[rows, :, :many], sd[rows])
    return np.where(low < NO_MINUTES, 0.0, low), np.where(high < NO_MINUTES, 0.0, high)


def bounds(lasts: Floats, cost: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """5 % and 95 % points of the costs, each of the third axis as likely; parameters as for `spread_of`."""
    kept = np.flatnonzero(np.append(True, (cost[:, 1:] != cost[:, :-1]).any(axis=(0, 2))))
    # The chance to end at each point, beyond the last one too, which costs as much as there.
    fallen = np.concatenate([lasts[:, kept], np.zeros((len(lasts), 1))], axis=1)
    chance = fallen[:, :-1] - fallen[:, 1:]
    ended = cost[:, kept].swapaxes(1, 2)
    # By voters, emptying and the outage's end, along which the cost rises: runs in order sort twice as fast.
    values = (np.exp(sd[:, None] * NODES)[:, :, None, None] * ended[:, None]).reshape(len(cost), -1)
    parts = WEIGHTS[:, None, None] * np.full((cost.shape[2], 1), 1 / cost.shape[2])
    weights = (chance[:, None, None] * parts).reshape(len(cost), -1)
    order = np.argsort(values, axis=1, kind="stable")
    run = np.cumsum(np.take_along_axis(weights, order, axis=1), axis=1)
    rows, last = np.arange(len(cost)), run.shape[1] - 1
    places = (np.minimum((run < share * run[:, -1:]).sum(axis=1), last) for share in (0.05, 0.95))
    low, high = (values[rows, order[rows, place]] for place in places)
    return low, high


def integrals(
    u: Floats, lasts: Floats, gone: Floats, left: Floats, waiting: Floats, arrivals: Floats
) -> tuple[Floats, Floats, Floats]:
    """Chance of going dark, expected dark minutes and voter-minutes, a unit a row.

    Parameters
    ----------
    u : minutes ahead, from 0
    lasts : probability that the outage lasts beyond each of them
    gone : probability that the unit is empty by each of them
    left : minutes to the scheduled closing
    waiting : people now in the unit's part of the line [count]
    arrivals : people a minute who join that part [1/min]

    Empty at x, the outage S: P = integral of S over the time of emptying; dark minutes = integral of S from x to c;
    voter-minutes = waiting * dark + arrivals * integral of (u - x) S. Over the unknown x they are integrals with the
    probability of being empty in place of the step at x (docs/methods/power.md). Trapezoids; cut at closing.
    """
    sums = np.empty((3, len(left)))
    integrate(u, lasts, gone, left, part_before(u, left), sums)
    chance, dark, late = sums
    return chance, dark, waiting * dark + arrivals * late


def chance_gone(u: Floats, lasts: Floats, gone: Floats, left: Floats) -> Floats:
    """Chance of being empty before power returns or the closing, a row each; parameters as for `integrals`."""
    survive = (lasts[:, 1:] + lasts[:, :-1]) / 2
    emptied = np.diff(gone, axis=1) * survive * part_before(u, left)
    return np.asarray(gone[:, 0] * (left > 0) + emptied.sum(axis=1), float)


def part_before(u: Floats, left: Floats) -> Floats:
    """Part of each step of the grid (columns) that lies before the closing of each row."""
    part = np.empty((len(left), len(u) - 1))
    parts_before(u, left, part)
    return part


def sorted_units(known: Known) -> pl.DataFrame:
    """Every rostered unit with its sort (checkin, scanner, bmd), its part of the site's line, and its rated time.

    A site's line is shared out evenly over its units of that sort: one of two scanners going dark costs half the
    line. `is_accessible`: a marking device, or a unit at which accessible equipment is expected.
    """
    sort = (
        pl.when(pl.col("type").is_in(list(CHECKIN_TYPES)))
        .then(pl.lit("checkin"))
        .when(pl.col("type").is_in(list(SCANNER_TYPES)))
        .then(pl.lit("scanner"))
        .when(pl.col("type") == "bmd")
        .then(pl.lit("bmd"))
    )
    units = known.units.with_columns(
        sort=sort,
        is_accessible=(pl.col("type") == "bmd") | (pl.col("accessible_expected") == "yes").fill_null(False),
        rated_minutes=batteries.rated(known.settings),
    )
    many = pl.len().over("site_id", "sort")
    part = pl.when(pl.col("sort").is_null() | pl.col("site_id").is_null()).then(0.0).otherwise(1 / many)
    return units.select("unit_id", "site_id", "sort", "is_accessible", "rated_minutes", part=part)


def run_basis(known: Known, off: pl.DataFrame) -> pl.Series:
    """What the run time of each unit stands on, in words; by the order of `off` (column unit_id)."""
    s, year = known.settings, known.county.election_day.year
    told = known.units.select("unit_id", "battery_minutes", "battery_age_years", "in_service")
    units = off.select("unit_id").join(told, on="unit_id", how="left", maintain_order="left")
    years, run = batteries.battery_years(units, year, s), batteries.run_minutes(units, year, s)
    variance = s["power.capacity_spread"] ** 2 + batteries.run_variance(units, year, s)
    words = pl.format(
        "rated {} min × {} new × {} at {} years × {} temperature: about {} min, one sd {} %",
        batteries.rated(s).round(0).cast(pl.Int64),
        pl.lit(s["power.capacity_at_new"]),
        pl.Series(np.exp(-s["power.fade_per_year"] * years)).round(2),
        pl.Series(years).round(1),
        pl.lit(s["power.temperature_factor"]),
        pl.Series(run).round(0).cast(pl.Int64),
        pl.Series(100 * np.sqrt(variance)).round(0).cast(pl.Int64),
    )
    return units.select(words).to_series()


def at_stake(known: Known, off: pl.DataFrame, loads: pl.DataFrame) -> tuple[Floats, Floats, Floats]:
    """Minutes to closing, people in the unit's part of its line, people a minute who join it (columns sort, part)."""
    bmd, bins = known.settings["power.bmd_share"], known.settings["power.compartment_share"]
    frame = (
        off.select("site_id", "sort", "part", "is_accessible")
        .join(loads, on="site_id", how="left", maintain_order="left")
        .join(known.sites.select("site_id", "closes_at"), on="site_id", how="left", maintain_order="left")
    )
    left = ((pl.col("closes_at") - moment(known.at)).dt.total_seconds() / 60).clip(lower_bound=0).fill_null(0.0)
    at_scanner = pl.when(pl.col("sort") == "scanner").then("scanner_waiting").otherwise(0.0)
    line = pl.when(pl.col("sort") == "checkin").then("checkin_waiting").otherwise(at_scanner)
    # A marking device takes the few who use one; so does an accessible device that belongs to another sort of unit.
    few = pl.when(pl.col("sort").is_null() & pl.col("is_accessible")).then(1.0).otherwise("part")
    share = pl.when(pl.col("sort").is_null() | (pl.col("sort") == "bmd")).then(bmd * few).otherwise("part")
    # Who puts the ballot into the emergency compartment of a dark scanner does not wait for it.
    held = pl.when((pl.col("sort") == "scanner").fill_null(False)).then(1 - bins).otherwise(1.0)
    values = frame.select(
        left=left,
        waiting=(held * pl.col("part") * line).fill_null(0.0),
        arrivals=(held * share * pl.col("arrivals_per_minute")).fill_null(0.0),
    )
    return tuple(values[name].to_numpy().astype(float) for name in ("left", "waiting", "arrivals"))  # type: ignore[return-value]
