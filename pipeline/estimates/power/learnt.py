"""What the day's runs on battery teach of all batteries: run time and gauge by type, fade by age, error of percentages.

A report tells of its own battery and, as those of one type are bought, kept and charged alike, of the others too.
Method, sources and limits: docs/methods/power.md.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.estimates.power.batteries import battery_years, gauges, numbers, run_minutes
from pipeline.estimates.power.condense import Brief, from_battery, saying
from pipeline.estimates.power.instants import microseconds
from pipeline.estimates.power.loops import find_runs, sum_runs
from pipeline.settings import Settings

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
ROUNDS = 4  # of the fit: the run time enters by its logarithm, so the line is drawn anew at each; our choice [count]
SHARED = 0.5  # part of the variance of gauges and run times that all types of a county share; our choice [-]
SUMS = ("ww", "wy", "yy", "wg", "gg", "yg")  # products of a run's w, y and g
# Nearly empty a gauge stands still; such a report is no point of the line. Leaving out full ones as well would choose
# by their error.
LEAST = 5.0  # our choice [%]
ROUNDING = 0.01**2 / 12  # variance of rounding to whole percent, even over its step [-]


@dataclass(frozen=True)
class Fleet:
    """What is known of all batteries: a normal `mean` and `covariance` of what they share, and how they differ.

    Shared are, for each of `types`, how far its gauge's exponent is off the setting, then for each the shift of the
    logarithm of run time, then what a year of age adds to the fade. `spread`: sd of the logarithm of run time among
    batteries alike; `noise`: variance of a percentage [-].
    """

    types: tuple[str, ...]
    mean: Floats
    covariance: Floats
    spread: float
    noise: float

    def of(self, units: pl.DataFrame, year: int, settings: Settings) -> tuple[Floats, Floats, Floats]:
        """For units (type, battery_age_years, in_service): gauge, shift of run time, their covariance (n x 2 x 2)."""
        q = parts(units, self.types, year, settings)
        both = q @ self.mean
        return both[:, 0], both[:, 1], q @ self.covariance @ q.transpose(0, 2, 1)


def parts(units: pl.DataFrame, types: tuple[str, ...], year: int, settings: Settings) -> Floats:
    """What of the shared is each unit's: units x (gauge, shift) x parameters."""
    many = len(types)
    q = np.zeros((units.height, 2, 2 * many + 1))
    which = units["type"].replace_strict(dict(zip(types, range(many), strict=True)), default=-1, return_dtype=pl.Int64)
    rows, kind = np.arange(units.height), which.to_numpy()
    known = kind >= 0
    q[rows[known], 0, kind[known]] = 1.0
    q[rows[known], 1, many + kind[known]] = 1.0
    q[:, 1, -1] = -battery_years(units, year, settings)
    return q


def prior(many: int, spread: float, settings: Settings) -> Floats:
    """Covariance of what `many` types share, before any report of today: partly the county's, partly each type's.

    The settings' run time weighs as much as `power.fleet_weight` batteries of that `spread`.
    """
    alike = SHARED + (1 - SHARED) * np.eye(many)
    run = spread**2 / settings["power.fleet_weight"]
    covariance = np.zeros((2 * many + 1, 2 * many + 1))
    covariance[:many, :many] = settings["power.gauge_spread"] ** 2 * alike
    covariance[many:-1, many:-1] = run * alike + settings["power.temperature_spread"] ** 2
    covariance[-1, -1] = settings["power.fade_spread"] ** 2
    return covariance


def learnt_fleet(known: Brief) -> Fleet:
    """What the discharges seen today say of the county's batteries and gauges, over what the settings say.

    Each run is a straight line of charge whose level and rate are a battery's own; what batteries share moves them all.
    Level and rate are integrated out in closed form (a linear mixed model), spread and error are drawn to their
    settings, and the whole is done a few times over, as the run time enters by its logarithm.

    Source: Laird and Ware, Biometrics 38 (1982), random effects.
    """
    s, year = known.settings, known.county.election_day.year
    types = tuple(known.units["type"].drop_nulls().unique().sort())
    spread, noise = s["power.capacity_spread"], (s["power.percent_error"] / 100) ** 2
    covariance = prior(len(types), spread, s)
    mean = np.zeros(len(covariance))
    runs = battery_runs(known)
    if runs.is_empty():
        return Fleet(types, mean, covariance, spread, noise)
    # Batteries of one type and age share all of it: a row for each of these is enough.
    alike = ("type", "battery_age_years", "in_service")
    first = runs.with_row_index("run").select(pl.col("run").first().over(alike)).to_series()
    one, which = np.unique(first.to_numpy(), return_inverse=True)
    q, rate = parts(runs[one], types, year, s), runs["rate"].to_numpy()
    of_all = q.reshape(-1, len(mean))
    bend = shift = np.zeros(runs.height)
    freedom = runs["n"].to_numpy() - 2
    scatter = squares_left(runs, bend) / freedom
    for _ in range(ROUNDS):
        # A gauge that scatters more than others teaches less.
        lines = Lines.of(runs, rate, shift, np.maximum(noise, scatter))
        told, says = (by_group(values, which, len(one)) for values in lines.tell(spread))
        believed = np.linalg.inv(prior(len(types), spread, s))
        information = (q.transpose(0, 2, 1) @ told.reshape(-1, 2, 2) @ q).sum(axis=0)
        covariance = np.asarray(np.linalg.inv(believed + information), float)
        mean = covariance @ (of_all.T @ says.reshape(-1))
        bend, shift = (of_all @ mean).reshape(-1, 2)[which].T
        spread = drawn_spread(*lines.deviations(bend, shift), spread, s)
        squares = squares_left(runs, bend)
        noise, scatter = percent_variance(squares, freedom, s), squares / freedom
    return Fleet(types, mean, covariance, spread, noise)


def by_group(values: Floats, which: NDArray[np.int64], many: int) -> Floats:
    """Sums of `values` (a column a run) by the group of each run: a row a group."""
    return np.stack([np.bincount(which, weights=row, minlength=many) for row in values], axis=1)


@dataclass(frozen=True)
class Lines:
    """The runs as straight lines, a row each: z = level + (shift + deviation) u - bend g + error.

    z is the charge told above the line at the present shift of run time, u the charge spent on that line, g what one
    more of the gauge's exponent moves. Kept are sums of products about each run's own means, as its level is unknown,
    and the variance of the error.
    """

    uu: Floats
    gu: Floats
    gg: Floats
    zu: Floats
    zg: Floats
    noise: Floats

    @classmethod
    def of(cls, runs: pl.DataFrame, rated_rate: Floats, shift: Floats, noise: Floats) -> "Lines":
        """The lines of runs (`battery_runs`) at the present shift; rated_rate: charge a minute by the roster."""
        ww, wy, wg, gg, yg = (runs[name].to_numpy() for name in ("ww", "wy", "wg", "gg", "yg"))
        rate = np.exp(-shift) * rated_rate
        uu, gu = rate**2 * ww, rate * wg
        return cls(uu, gu, gg, zu=rate * wy + (1 + shift) * uu, zg=yg + (1 + shift) * gu, noise=noise)

    def tell(self, spread: float) -> tuple[Floats, Floats]:
        """What each run tells of gauge and shift: information (2 x 2, its entries
        one after the other) and information times estimate, a column a run.

        The run's own deviation, of that spread, is integrated out.
        """
        ridge = self.noise / spread**2
        whole = self.uu + ridge
        kept = ridge / whole
        cross = -self.gu * kept
        told = np.stack([self.gg - self.gu**2 / whole, cross, cross, self.uu * kept])
        says = np.stack([self.gu * self.zu / whole - self.zg, self.zu * kept])
        return told / self.noise, says / self.noise

    def deviations(self, bend: Floats, shift: Floats) -> tuple[Floats, Floats]:
        """Each run's own deviation of the logarithm of run time, given what is shared, and its error's variance."""
        return (self.zu + bend * self.gu) / self.uu - shift, self.noise / self.uu


def drawn_spread(deviations: Floats, errors: Floats, spread: float, settings: Settings) -> float:
    """Spread of run time among batteries alike: the setting, drawn to the deviations of runs less their errors.

    A run counts by how well it tells its deviation: the fixed point of the likelihood. Never narrower than the setting:
    a few batteries of one delivery say little of the others.
    """
    least, weight = settings["power.capacity_spread"], settings["power.fleet_weight"]
    counts = (spread**2 / (spread**2 + errors)) ** 2
    variance = (weight * least**2 + (counts * (deviations**2 - errors)).sum()) / (weight + counts.sum())
    return max(least, float(np.sqrt(max(variance, 0.0))))


def squares_left(runs: pl.DataFrame, bend: Floats) -> Floats:
    """Sum of squares of each run about its own least-squares line, if its gauge's exponent is off by `bend`."""
    ww, wy, yy, wg, gg, yg = (runs[name].to_numpy() for name in ("ww", "wy", "yy", "wg", "gg", "yg"))
    wy, yy = wy + bend * wg, yy + 2 * bend * yg + bend**2 * gg
    return np.asarray(np.maximum(yy - wy**2 / ww, 0.0), float)


def percent_variance(squares: Floats, freedom: Floats, settings: Settings) -> float:
    """Variance of a reported percentage about the straight line [-]: the setting, drawn to the scatter of today's runs.

    From the sums of squares of runs about their own lines and their degrees of freedom; the setting weighs
    `power.percent_weight` of these. Rounding to whole percent is part of what scatters: never less than its 1/12.
    """
    weight, start = settings["power.percent_weight"], (settings["power.percent_error"] / 100) ** 2
    return max((weight * start + float(squares.sum())) / (weight + float(freedom.sum())), ROUNDING)


def battery_runs(known: Brief) -> pl.DataFrame:
    """Each unit's longest run of reports from its battery, joined to the roster; a row a unit.

    n, `rate` (charge a minute by the roster), and sums of products about the run's means of w [min], y (charge) and g
    (its slope by the gauge's exponent).
    """
    s, year = known.settings, known.county.election_day.year
    status = known.status.select("row", "power", "occurred_at", "battery_percent")
    status = status[saying(status, "battery_percent")]
    status = status[saying(status, "power")]
    w, charge, begins, rows = points_of_runs(status, microseconds(known.at))
    n = np.diff(begins, append=len(w))
    roster = known.units.select("unit_id", "type", "battery_minutes", "battery_age_years", "in_service")
    runs = roster[rows]
    rate = 1 / run_minutes(runs, year, s)
    sums = run_sums(w, gauges(charge, s), begins, n, rate, s)
    return (
        runs.with_columns(n=pl.Series(n, dtype=pl.Float64), rate=pl.Series(rate))
        .with_columns(pl.Series(name, of_each) for name, of_each in zip(SUMS, sums, strict=True))
        .filter((pl.col("n") >= 3) & (pl.col("ww") > 0) & pl.col("type").is_not_null())
        .sort("unit_id", "n", "ww")
        .unique("unit_id", keep="last", maintain_order=True)
    )


def points_of_runs(status: pl.DataFrame, now: int) -> tuple[Floats, Floats, Whole, Whole]:
    """The points of all runs of reports from a battery: minutes from `now` [us], percentages; of each run, where it
    begins among them, and its unit's row in the roster.
    """
    row, percent = status["row"].to_numpy(), numbers(status["battery_percent"])
    at, is_off = status["occurred_at"].cast(pl.Int64).to_numpy(), from_battery(status, slice(None))
    w, told = np.empty((2, len(row)))
    begins, units = np.empty((2, len(row)), np.int64)
    points, runs = find_runs(row, is_off, percent, at, now, LEAST, w, told, begins, units)
    return w[:points], told[:points], begins[:runs], units[:runs]


def run_sums(w: Floats, y: Floats, begins: Whole, n: Whole, rate: Floats, settings: Settings) -> Floats:
    """The sums of products (`SUMS`, rows) of each run (columns); w [min] and y of their points, n [count] of each.

    `rate`: charge a minute by the roster.
    """
    sums = np.empty((len(SUMS), len(n)))
    sum_runs(w, y, begins, n, rate, settings["power.gauge_exponent"], np.empty(len(w)), sums)
    return sums
