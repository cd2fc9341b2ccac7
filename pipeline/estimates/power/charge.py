"""A unit's state of charge, when it would be empty, and how sure that is.

Method, sources and limits: docs/methods/power.md.
"""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy import special

from pipeline.contracts.known import Known
from pipeline.settings import Settings

Floats = NDArray[np.float64]
BENDS = {"middle": 0.0, "low": -1.0, "high": 1.0}  # the gauge as set, and one sd either way
SYSTEMATIC = 0.006  # doubt of charge that more reports never remove: each gauge has its own offset; our choice [-]
LEAST_FALL = 0.15  # a run on battery that fell by less says too little of the rate; our choice [-]
RISE_ERRORS = 3.0  # a percentage that rises by so many standard errors while off mains is odd; our choice [-]
FULL_DOUBT = 0.01  # what a charger calls full differs by so much; our choice [-]
ROUNDING = 0.01**2 / 12  # variance of rounding to whole percent, even over its step [-]
MILLION = 1_000_000  # millionths [1]
SYSTEMATIC_RATE = 0.01  # the same for the rate of discharge, relative; our choice [-]


def charge_after(charge: ArrayLike, minutes: ArrayLike, run_minutes: ArrayLike, recharge_minutes: ArrayLike) -> Floats:
    """State of charge after so many minutes on mains (positive) or off (negative).

    Source: s <- clip(s - t_off / R + t_on / T_c, 0, 1), a linear discharge and recharge (docs/methods/power.md).
    """
    t = np.asarray(minutes, float)
    per_minute = np.where(t < 0, 1 / np.asarray(run_minutes, float), 1 / np.asarray(recharge_minutes, float))
    return np.clip(np.asarray(charge, float) + t * per_minute, 0.0, 1.0)


def derated_minutes(
    rated_minutes: ArrayLike, factor: ArrayLike = 1.0, load: ArrayLike = 1.0, exponent: float = 1.0
) -> Floats:
    """Run time of a battery of lesser capacity under more load: rated * factor / load^exponent.

    Source: Peukert's law; an exponent of 1 is a linear battery.
    """
    rated = np.asarray(rated_minutes, float) * np.asarray(factor, float)
    return np.asarray(rated / np.asarray(load, float) ** exponent, float)


def peukert_minutes(ampere_hours: float, rate_hours: float, amperes: float, exponent: float) -> float:
    """Run time [min] of a battery rated `ampere_hours` at the `rate_hours` rate. Source: Peukert's law."""
    return 60 * rate_hours * (ampere_hours / (amperes * rate_hours)) ** exponent


def gauge(percent: pl.Expr, settings: Settings, bend: float = 0.0) -> pl.Expr:
    """State of charge behind a reported percentage; over 100 counts as 100.

    A gauge reads high in the middle and falls fast near empty: percent = 100 * charge^(1 / g), g a setting. A straight
    gauge has g 1. `bend` is in standard deviations of g, of which nobody is sure.
    """
    exponent = settings["power.gauge_exponent"] + bend * settings["power.gauge_spread"]
    return (percent / 100).clip(0, 1).pow(max(exponent, 0.1))


@dataclass(frozen=True)
class Discharge:
    """Charge on a straight line from `start` (minutes before T): normal level and rate, one row a unit.

    charge(w) = level - rate * w, w minutes after the outage began; the covariance is of level and rate.
    """

    age: Floats
    level: Floats
    rate: Floats
    level_var: Floats
    rate_var: Floats
    covariance: Floats
    alive_at: Floats

    def charge_mean(self) -> Floats:
        """State of charge at T, mean."""
        return np.clip(self.level - self.rate * self.age, 0.0, 1.0)

    def _empty_by(self, w: Floats) -> Floats:
        mean = self.level[:, None] - self.rate[:, None] * w
        var = self.level_var[:, None] + w**2 * self.rate_var[:, None] - 2 * w * self.covariance[:, None]
        return np.asarray(special.ndtr(-mean / np.sqrt(np.maximum(var, 1e-12))), float)

    def empty_by(self, ahead: Floats) -> Floats:
        """Probability that each unit (rows) is empty `ahead` minutes from T (columns, or one row a unit).

        It was not empty when it last reported from its battery (`alive_at`, minutes after the outage began).
        """
        w = self.age[:, None] + np.atleast_2d(ahead)
        known = self._empty_by(np.maximum(self.alive_at, 0.0)[:, None])
        alive = np.maximum(1 - known, 1e-9)
        return np.clip((self._empty_by(w) - known) / alive, 0.0, 1.0)

    def quantile(self, share: float, longest: float = 6000.0) -> Floats:
        """Minutes from T (negative: before T) by which a unit is empty with the given probability; bisection."""
        low, high = -self.age.copy(), np.full_like(self.age, longest)
        for _ in range(40):
            middle = (low + high) / 2
            is_below = self.empty_by(middle[:, None])[:, 0] < share
            low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
        return (low + high) / 2


@dataclass(frozen=True)
class Fleet:
    """What today's runs on battery tell of all: shift and spread of the log of run time, variance of a percentage."""

    shift: float
    spread: float
    noise: float


def learnt_fleet(known: Known) -> Fleet:
    """What the discharges seen today say of the county's batteries and gauges."""
    runs = battery_runs(known, known.settings)
    shift, spread = fleet_shift(runs, known.county.election_day.year, known.settings)
    return Fleet(shift, spread, percent_variance(runs, known.settings))


def discharges(known: Known, off: pl.DataFrame, fleet: Fleet) -> Discharge:
    """The discharge of the units in `off` (unit_id, outage_since), from the roster and their own reports.

    Level and rate have a normal prior (roster, battery age); each percentage reported since mains was lost is a
    noisy point of the line: Bayesian linear regression in closed form.
    """
    s = known.settings
    units = off.join(known.units.drop("site_id"), on="unit_id", how="left")
    age = (
        (units.select((known.at - pl.col("outage_since")).dt.total_seconds() / 60).to_series()).to_numpy().astype(float)
    )
    age = np.maximum(np.nan_to_num(age, nan=0.0), 0.0)
    run = run_minutes(units, known.county.election_day.year, s)
    level, level_var = start_charge(known, units, run)
    points = reported_points(known.status, off, s)
    n, st, stt, alive, rise, *sums = aligned(units, points)
    noise = fleet.noise * doubts(rise, s)
    rate = np.exp(-fleet.shift) / run
    rate_var = rate**2 * (fleet.spread**2 + run_variance(units, known.county.election_day.year, s))
    a, b, d = 1 / level_var + n / noise, -st / noise, 1 / rate_var + stt / noise
    det = a * d - b * b

    def line(sy: Floats, sty: Floats) -> tuple[Floats, Floats]:
        x, y = level / level_var + sy / noise, rate / rate_var - sty / noise
        return (d * x - b * y) / det, np.maximum((a * y - b * x) / det, 1e-6)

    mean_level, mean_rate = line(sums[0], sums[1])
    low, high = line(sums[2], sums[3]), line(sums[4], sums[5])
    # What one sd of the gauge's bend moves: level and rate together, so that a line far down is hardly touched.
    bend_level, bend_rate = (high[0] - low[0]) / 2, (high[1] - low[1]) / 2
    return Discharge(
        age=age,
        level=mean_level,
        rate=mean_rate,
        level_var=d / det + bend_level**2 + SYSTEMATIC**2,
        rate_var=a / det + bend_rate**2 + (SYSTEMATIC_RATE * mean_rate) ** 2,
        covariance=-b / det + bend_level * bend_rate,
        alive_at=alive,
    )


def doubts(rise: Floats, settings: Settings) -> Floats:
    """By how much the error variance of a unit's percentages grows: one that rose while off mains is not believed.

    A rise [-] of k standard errors counts as an error of that size in each of its reports.
    """
    k = 100 * rise / settings["power.percent_error"]
    return np.where(k > RISE_ERRORS, 1 + k**2, 1.0)


def percent_variance(runs: pl.DataFrame, settings: Settings) -> float:
    """Variance of a reported percentage about the straight line [-]: the setting, drawn to the scatter of today's runs.

    Residual sums of squares of least-squares lines, with n - 2 degrees of freedom each; the setting weighs
    `power.percent_weight` of these. Rounding to whole percent is part of what scatters: never less than its 1/12.
    """
    weight, prior = settings["power.percent_weight"], (settings["power.percent_error"] / 100) ** 2
    freedom = float((runs["n"] - 2).sum())
    pooled = (weight * prior + float(runs["squares"].sum())) / (weight + freedom)
    return max(pooled, ROUNDING)


def fleet_shift(runs: pl.DataFrame, year: int, settings: Settings) -> tuple[float, float]:
    """How this county's batteries differ from the setting: mean and spread of the logarithm of run time.

    From the units whose reports show at least `LEAST_FALL` of discharge in one run on battery today; the setting
    weighs as much as `power.fleet_weight` of them. Batteries of one county are bought, kept and charged alike.
    """
    spread, weight = settings["power.capacity_spread"], settings["power.fleet_weight"]
    if runs.is_empty():
        return 0.0, spread
    expected = run_minutes(runs, year, settings)
    seen = np.log(1 / runs["rate"].to_numpy() / expected)
    # Relative error of a least-squares slope through n evenly spaced points: sd * sqrt(12 / n) over the fall.
    error = np.sqrt(percent_variance(runs, settings) * 12 / runs["n"].to_numpy()) / runs["fall"].to_numpy()
    error = np.sqrt(error**2 + run_variance(runs, year, settings))  # age and temperature are doubted by themselves
    trust = 1 / (spread**2 + error**2)
    shift = float((trust * seen).sum() / (trust.sum() + weight / spread**2))
    excess = np.maximum((seen - shift) ** 2 - error**2, 0.0)
    variance = (weight * spread**2 + excess.sum()) / (weight + len(seen))
    # Never narrower than the setting: a few batteries of one delivery say little of the others.
    return shift, max(spread, float(np.sqrt(variance)))


def battery_runs(known: Known, settings: Settings) -> pl.DataFrame:
    """Least-squares line of each run on battery: unit_id, run, n, rate [1/min], fall [-], squares of residuals [-]."""
    # Whole seconds and millionths of charge: sums of whole numbers are exact, whatever the order of the rows.
    w = pl.col("occurred_at").dt.epoch("s")
    y = (gauge(pl.col("battery_percent"), settings) * MILLION).round().cast(pl.Int64)
    keys = pl.any_horizontal(pl.col(key).ne_missing(pl.col(key).shift()) for key in ("unit_id", "power"))
    reports = (
        known.status.lazy()
        .filter(pl.col("power").is_not_null() & pl.col("battery_percent").is_not_null())
        .sort("unit_id", "occurred_at", "sequence")
        .with_columns(run=keys.cum_sum())
        .filter((pl.col("power") == "battery") & pl.col("battery_percent").is_between(5, 99))
        .with_columns(w=w - w.min(), y=y)
    )
    # Products before the sums, slopes after them: several times faster than a covariance by group.
    products = {"ww": pl.col("w") ** 2, "yy": pl.col("y") ** 2, "wy": pl.col("w") * pl.col("y")}
    # As fractions from here on: the product of two sums may be past what a whole number holds.
    n, sum_w, sum_y, ww, yy, wy = (pl.col(name).cast(pl.Float64) for name in ("n", "w", "y", *products))
    spread_w, spread_y, both = n * ww - sum_w**2, n * yy - sum_y**2, n * wy - sum_w * sum_y
    return (
        reports.with_columns(**products)
        .group_by("run")
        .agg(
            pl.col("unit_id").first(),
            pl.col("w", "y", *products).sum(),
            n=pl.len().cast(pl.Int64),
            minutes=(pl.col("w").max() - pl.col("w").min()) / 60,
        )
        .filter((pl.col("n") >= 3) & (pl.col("minutes") > 0))
        .with_columns(
            rate=-both / spread_w * 60 / MILLION,
            squares=((spread_y - both**2 / spread_w) / n / MILLION**2).clip(lower_bound=0),
        )
        .with_columns(fall=pl.col("rate") * pl.col("minutes"))
        .filter((pl.col("fall") >= LEAST_FALL) & pl.col("rate").is_finite())
        .select("unit_id", "run", "n", "rate", "fall", "squares")
        .collect()
        .join(known.units, on="unit_id", how="inner")
        .sort("unit_id", "run")
    )


def run_minutes(units: pl.DataFrame, year: int, settings: Settings) -> Floats:
    """Expected run time of a full battery [min]: rated, times the share left at its age, times temperature."""
    rated = units["battery_minutes"].fill_null(settings["power.rated_minutes"]).to_numpy().astype(float)
    years = battery_years(units, year, settings)
    left = settings["power.capacity_at_new"] * np.exp(-settings["power.fade_per_year"] * years)
    return np.maximum(derated_minutes(rated, left * settings["power.temperature_factor"]), 1.0)


def battery_years(units: pl.DataFrame, year: int, settings: Settings) -> Floats:
    """Age of each battery [years]: the roster's, else the years in service, else the setting."""
    in_service = (year - pl.col("in_service")).cast(pl.Float64).clip(0, settings["power.battery_age_years"] * 2)
    years = pl.coalesce(pl.col("battery_age_years"), in_service).fill_null(settings["power.battery_age_years"])
    return units.select(years).to_series().to_numpy().astype(float)


def run_variance(units: pl.DataFrame, year: int, settings: Settings) -> Floats:
    """Variance of the logarithm of run time from what age and temperature do: nobody knows either exactly."""
    by_age = battery_years(units, year, settings) * settings["power.fade_spread"]
    return by_age**2 + settings["power.temperature_spread"] ** 2


def start_charge(known: Known, units: pl.DataFrame, run: Floats) -> tuple[Floats, Floats]:
    """Charge when mains was lost and its variance: the last report before, recharged since; else from opening on."""
    s = known.settings
    before = (
        known.status.filter(pl.col("battery_percent").is_not_null())
        .join(units.select("unit_id", "outage_since"), on="unit_id")
        .filter(pl.col("occurred_at") <= pl.col("outage_since"))
        .sort("occurred_at", "sequence")
        .group_by("unit_id")
        .agg(last_percent=pl.col("battery_percent").last(), last_at=pl.col("occurred_at").last())
    )
    opens = known.sites.select("site_id", "opens_at", "circuit")
    frame = units.join(before, on="unit_id", how="left", maintain_order="left")
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
    off = (
        silent.join(ended, on="circuit")
        .filter(pl.col("restored_at") <= pl.col("outage_since"))
        .group_by("unit_id")
        .agg(off=((pl.col("restored_at") - pl.col("started_at")).dt.total_seconds() / 60).sum())
    )
    joined = frame.select("unit_id").join(off, on="unit_id", how="left", maintain_order="left")
    return joined["off"].fill_null(0.0).to_numpy().astype(float)


def reported_points(status: pl.DataFrame, off: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Sums over the percentages that each unit reported from its battery since mains was lost, and the last time."""
    told = pl.when(pl.col("battery_percent").is_not_null()).then("w")
    bends = {name: gauge(pl.col("battery_percent"), settings, bend) for name, bend in BENDS.items()}
    rows = on_battery(status, off).with_columns(told=told, **bends)
    # Products before the sums: group by group they would take several times as long.
    rows = rows.with_columns(stt=pl.col("told") ** 2, **{f"sty_{name}": pl.col("w") * pl.col(name) for name in BENDS})
    return rows.group_by("unit_id").agg(
        n=pl.col("told").count().cast(pl.Float64),
        st=pl.col("told").sum(),
        stt=pl.col("stt").sum(),
        alive=pl.col("w").max(),
        rise=pl.col("rise").max(),
        **{f"sy_{name}": pl.col(name).sum() for name in BENDS},
        **{f"sty_{name}": pl.col(f"sty_{name}").sum() for name in BENDS},
    )


def on_battery(status: pl.DataFrame, off: pl.DataFrame) -> pl.DataFrame:
    """Reports from a battery since mains was lost: `w` [min] since then, `rise` [-] of the percentage on the last."""
    minutes = (pl.col("occurred_at") - pl.col("outage_since")).dt.total_seconds() / 60
    is_same = pl.col("unit_id") == pl.col("unit_id").shift()
    return (
        status.filter(pl.col("power") == "battery")
        .join(off.select("unit_id", "outage_since"), on="unit_id")
        .filter(pl.col("occurred_at") >= pl.col("outage_since"))
        .sort("unit_id", "occurred_at", "sequence")
        .with_columns(w=minutes, rise=pl.when(is_same).then((pl.col("battery_percent") / 100).diff()))
    )


def aligned(units: pl.DataFrame, points: pl.DataFrame) -> tuple[Floats, ...]:
    """The sums in the order of `units`; a unit without reports has noughts, and is known alive at the start."""
    joined = units.select("unit_id").join(points, on="unit_id", how="left", maintain_order="left")
    sums = (f"{kind}_{name}" for name in BENDS for kind in ("sy", "sty"))
    names = ("n", "st", "stt", "alive", "rise", *sums)
    return tuple(joined[name].fill_null(0.0).to_numpy().astype(float) for name in names)


def at_offset(at: datetime, minutes: Floats) -> pl.Series:
    """Times so many minutes after `at`."""
    ahead = pl.Series(np.round(minutes * 60e6).astype(np.int64)).cast(pl.Duration("us"))
    return pl.select(pl.lit(at).cast(pl.Datetime("us", "UTC")) + ahead).to_series()
