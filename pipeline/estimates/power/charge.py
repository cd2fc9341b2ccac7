"""A unit's state of charge, when it would be empty, and how sure that is.

Method, sources and limits: docs/methods/power.md.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy import special

from pipeline.contracts.known import Known
from pipeline.estimates.power.batteries import doubts, gauge, gauges, numbers, run_minutes
from pipeline.estimates.power.condense import Brief, from_battery, last_of_each
from pipeline.estimates.power.instants import minutes_since
from pipeline.estimates.power.learnt import Fleet
from pipeline.estimates.power.loops import chance_empty, sum_points
from pipeline.settings import Settings

Floats = NDArray[np.float64]
SYSTEMATIC = 0.006  # doubt of charge that more reports never remove: each gauge has its own offset; our choice [-]
# Over the percentages that a unit reported from its battery since mains was lost, w minutes after: their number, the
# sums of w, of its square, of charge, of w by charge, of the slope by the gauge's exponent, of w by slope; the last w;
# the greatest rise of the percentage (nought: it only fell).
SUMS = ("n", "st", "stt", "sy", "sty", "slopes", "t_slopes", "alive", "rise")
FULL_DOUBT = 0.01  # what a charger calls full differs by so much; our choice [-]


def charge_after(charge: ArrayLike, minutes: ArrayLike, run_minutes: ArrayLike, recharge_minutes: ArrayLike) -> Floats:
    """State of charge after so many minutes on mains (positive) or off (negative).

    Source: s <- clip(s - t_off / R + t_on / T_c, 0, 1), a linear discharge and recharge (docs/methods/power.md).
    """
    t = np.asarray(minutes, float)
    per_minute = np.where(t < 0, 1 / np.asarray(run_minutes, float), 1 / np.asarray(recharge_minutes, float))
    return np.clip(np.asarray(charge, float) + t * per_minute, 0.0, 1.0)


@dataclass(frozen=True)
class Discharge:
    """Charge on a straight line from `start` (minutes before T): normal level and rate, one row a unit.

    charge(w) = level - rate * w, w minutes after the outage began; the covariance is of level and rate. `rise` [-]: by
    how much a reported percentage was over the one before it.
    """

    age: Floats
    level: Floats
    rate: Floats
    level_var: Floats
    rate_var: Floats
    covariance: Floats
    alive_at: Floats
    rise: Floats

    def charge_mean(self) -> Floats:
        """State of charge at T, mean."""
        return np.clip(self.level - self.rate * self.age, 0.0, 1.0)

    def _empty_when_heard(self) -> Floats:
        """Probability of being empty at the last report, by the line alone."""
        w = np.maximum(self.alive_at, 0.0)
        mean = self.level - self.rate * w
        var = self.level_var + w**2 * self.rate_var - 2 * w * self.covariance
        return np.asarray(special.ndtr(-mean / np.sqrt(np.maximum(var, 1e-12))), float)

    def empty_by(self, ahead: Floats) -> Floats:
        """Probability that each unit (rows) is empty `ahead` minutes from T (columns, or one row a unit).

        It was not empty when it last reported from its battery (`alive_at`, minutes after the outage began).
        """
        many, every = len(self.age), np.atleast_2d(np.asarray(ahead, float))
        line = np.stack([self.level, self.rate, self.level_var, self.rate_var, self.covariance])
        found = np.empty((many, every.shape[1]))
        chance_empty(line, self.age, self._empty_when_heard(), every, found)
        return found

    def quantile(self, share: float, longest: float = 6000.0) -> Floats:
        """Minutes from T (negative: before T) by which a unit is empty with the given probability.

        Empty by w with probability Φ(z) means rate * w - level = z * sd(w): a quadratic equation in w.
        """
        known = self._empty_when_heard()
        z = special.ndtri(np.clip(known + share * (1 - known), 1e-12, 1 - 1e-12))
        a = self.rate**2 - z**2 * self.rate_var
        b = self.level * self.rate - z**2 * self.covariance
        c = self.level**2 - z**2 * self.level_var
        # A rate that may well be nought is never sure to end.
        ends = a > 0
        w = (b + np.sign(z) * np.sqrt(np.maximum(b**2 - a * c, 0.0))) / np.where(ends, a, 1.0)
        return np.clip(np.where(ends, w, np.inf) - self.age, -self.age, longest)


def discharges(known: Brief, off: pl.DataFrame, fleet: Fleet) -> Discharge:
    """The discharge of the units in `off` (unit_id, outage_since), from the roster and their own reports.

    Level and rate have a normal prior (roster, what the day's runs tell); each percentage reported since mains was lost
    is a noisy point of the line: Bayesian linear regression in closed form. What is doubted of the gauge and of the run
    time of all batteries of a type moves the line; that doubt is added.
    """
    s = known.settings
    roster = known.units.drop("site_id").with_row_index("row")
    units = off.join(roster, on="unit_id", how="left", maintain_order="left")
    age = np.maximum(np.nan_to_num(minutes_since(known.at, units["outage_since"]), nan=0.0), 0.0)
    run = run_minutes(units, known.county.election_day.year, s)
    said = said_of(known, units)
    level, level_var = start_charge(known, units, said, run)
    n, st, stt, sy, sty, slopes, t_slopes, alive, rise = reported_points(said, len(run), s)
    noise = fleet.noise * doubts(rise, s)
    bend, shift, shared = fleet.of(units, known.county.election_day.year, s)
    rate = np.exp(-shift) / run
    rate_var = (rate * fleet.spread) ** 2
    a, b, d = 1 / level_var + n / noise, -st / noise, 1 / rate_var + stt / noise
    det = a * d - b * b
    x, y = level / level_var + (sy + bend * slopes) / noise, rate / rate_var - (sty + bend * t_slopes) / noise
    # What one more of the gauge's exponent moves, and one more of the logarithm of run time: level and rate together.
    moves_level = np.stack([(d * slopes + b * t_slopes) / noise, b * rate / rate_var], axis=1) / det[:, None]
    moves_rate = np.stack([-(a * t_slopes + b * slopes) / noise, -a * rate / rate_var], axis=1) / det[:, None]
    moves = np.stack([moves_level, moves_rate], axis=1)
    doubt = moves @ shared @ moves.transpose(0, 2, 1)
    mean_rate = np.maximum((a * y - b * x) / det, 1e-6)
    return Discharge(
        age=age,
        level=(d * x - b * y) / det,
        rate=mean_rate,
        level_var=d / det + doubt[:, 0, 0] + SYSTEMATIC**2,
        rate_var=a / det + doubt[:, 1, 1],
        covariance=-b / det + doubt[:, 0, 1],
        alive_at=alive,
        rise=rise,
    )


@dataclass(frozen=True)
class Said:
    """The reports of the units off mains, unit by unit and by their times: whose, and when.

    since : microseconds since the unit's outage began [us]
    """

    unit: NDArray[np.int64]
    since: Floats
    percent: Floats
    on_battery: NDArray[np.bool_]
    at: pl.Series


def said_of(known: Brief, units: pl.DataFrame) -> Said:
    """The reports of `units` (row, outage_since); those of units whose outage has no beginning are left out."""
    place = np.full(known.units.height, -1)
    listed = np.flatnonzero(units["row"].is_not_null().to_numpy())
    place[units["row"].to_numpy()[listed].astype(np.int64)] = listed
    unit = place[known.status["row"].to_numpy()]
    theirs = np.flatnonzero(unit >= 0)
    unit, status = unit[theirs], known.status.select("occurred_at", "power", "battery_percent")[theirs]
    began = numbers(units["outage_since"].cast(pl.Int64))[unit]
    return Said(
        unit=unit,
        since=status["occurred_at"].cast(pl.Int64).to_numpy() - began,
        percent=numbers(status["battery_percent"]),
        on_battery=from_battery(status, slice(None)),
        at=status["occurred_at"],
    )


def start_charge(known: Known, units: pl.DataFrame, said: Said, run: Floats) -> tuple[Floats, Floats]:
    """Charge when mains was lost and its variance: the last report before, recharged since; else from opening on."""
    s = known.settings
    told = np.flatnonzero(~np.isnan(said.percent) & (said.since <= 0))
    last = told[last_of_each(said.unit[told])]
    before = pl.DataFrame(
        {
            "row": units["row"].gather(said.unit[last]),
            "last_percent": said.percent[last],
            "last_at": said.at.gather(last),
        }
    )
    opens = known.sites.select("site_id", "opens_at", "circuit")
    frame = units.join(before, on="row", how="left", maintain_order="left")
    frame = frame.join(opens, on="site_id", how="left", maintain_order="left")
    since = pl.coalesce("last_at", "opens_at")
    minutes = (pl.col("outage_since") - since).dt.total_seconds() / 60
    first = frame.select(
        charge=pl.coalesce(gauge(pl.col("last_percent"), s), "charge_at_open").fill_null(s["power.start_charge"]),
        minutes=minutes.clip(lower_bound=0).fill_null(0.0),
    )
    recharge = np.maximum(frame["recharge_minutes"].fill_null(s["power.recharge_minutes"]).to_numpy().astype(float), 1)
    earlier = minutes_off_before(known, frame)
    on = np.maximum(first["minutes"].to_numpy() - earlier, 0.0)
    down = charge_after(first["charge"].to_numpy(), -earlier, run, recharge)
    is_told = frame.select(pl.col("last_at").is_not_null() | pl.col("charge_at_open").is_not_null()).to_series()
    spread = np.where(is_told.to_numpy(), 1.0, 2.0) * s["power.start_spread"]  # neither report nor roster: twice
    variance = spread**2 + (earlier / run * s["power.capacity_spread"]) ** 2
    level, kept = never_over_full(down + on / recharge, variance)
    return level, kept + FULL_DOUBT**2


def never_over_full(mean: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of a normal charge that a charger cuts off at full: min(X, 1).

    Hours on mains leave little doubt of where a battery stood before them.
    """
    sd = np.sqrt(variance)
    z = (1 - mean) / sd
    below, density = special.ndtr(z), np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    # E[(1 - X)+] and E[((1 - X)+)^2] of a normal
    lack = sd * (z * below + density)
    square = sd**2 * ((1 + z**2) * below + z * density)
    return np.clip(1 - lack, 0.0, 1.0), np.maximum(square - lack**2, 0.0)


def minutes_off_before(known: Known, frame: pl.DataFrame) -> Floats:
    """Minutes that a unit without reports was already off today, by the utility's list of its circuit [min]."""
    ended = known.outages.filter(pl.col("restored_at") > pl.col("started_at")).select(
        "circuit", "started_at", "restored_at"
    )
    silent = frame.filter(pl.col("last_at").is_null()).select("unit_id", "circuit", "outage_since", "opens_at")
    if silent.is_empty():
        return np.zeros(frame.height)
    off = (
        silent.join(ended, on="circuit")
        .filter(pl.col("restored_at") <= pl.col("outage_since"))
        .group_by("unit_id")
        .agg(off=((pl.col("restored_at") - pl.col("started_at")).dt.total_seconds() / 60).sum())
    )
    joined = frame.select("unit_id").join(off, on="unit_id", how="left", maintain_order="left")
    return joined["off"].fill_null(0.0).to_numpy().astype(float)


def reported_points(said: Said, many: int, settings: Settings) -> Floats:
    """`SUMS` (rows) of each unit (columns); one without reports has noughts, and is known alive at the start."""
    counts = np.flatnonzero(said.on_battery & (said.since >= 0))
    unit, percent = said.unit[counts], said.percent[counts]
    w = np.trunc(said.since[counts] / 1e6) / 60  # whole seconds
    charge = gauges(np.nan_to_num(percent), settings)
    slope = charge * np.log(np.clip(percent / 100, 1e-9, 1))
    sums = np.zeros((len(SUMS), many))
    sum_points(unit, w, percent, charge, slope, sums)
    return sums
