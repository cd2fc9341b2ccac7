"""What the day's runs on battery teach of all batteries: run time and gauge by type, fade by age, error of percentages.

A report tells of its own battery and, as those of one type are bought, kept and charged alike, of the others too.
Method, sources and limits: docs/methods/power.md.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.estimates.power.batteries import battery_years, gauge, run_minutes
from pipeline.settings import Settings

Floats = NDArray[np.float64]
ROUNDS = 4  # of the fit: the run time enters by its logarithm, so the line is drawn anew at each; our choice [count]
SHARED = 0.5  # part of the variance of gauges and run times that all types of a county share; our choice [-]
LEVEL_SPREAD = 1.0  # where a run begins is taken as all but unknown: what is said of it beforehand errs alike [-]
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


def learnt_fleet(known: Known) -> Fleet:
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
    q, rated = parts(runs, types, year, s), run_minutes(runs, year, s)
    freedom = runs["n"].to_numpy() - 2
    scatter = squares_left(runs, np.zeros(runs.height)) / freedom
    for _ in range(ROUNDS):
        lines = Lines.of(runs, rated, q @ mean, spread, np.maximum(noise, scatter))
        told, says = lines.tell()
        believed = np.linalg.inv(prior(len(types), spread, s))
        covariance = np.linalg.inv(believed + np.einsum("nip,nij,njq->pq", q, told, q, optimize=True))
        mean = covariance @ np.einsum("nip,ni->p", q, says)
        spread = drawn_spread(*lines.deviations(q @ mean), spread, s)
        squares = squares_left(runs, (q @ mean)[:, 0])
        # A gauge that scatters more than others teaches less.
        noise, scatter = percent_variance(squares, freedom, s), squares / freedom
    return Fleet(types, mean, covariance, spread, noise)


@dataclass(frozen=True)
class Lines:
    """The runs as linear models, a row each: z = A x + F s + error, whose sums of products are kept.

    x are the run's own level and deviation of the logarithm of run time, of covariance `own`; s what it shares with
    others: gauge and shift. z is the charge above the line that the present shift of run time gives.
    """

    aa: Floats
    af: Floats
    ff: Floats
    az: Floats
    fz: Floats
    own: Floats
    noise: Floats

    @classmethod
    def of(cls, runs: pl.DataFrame, rated: Floats, shared: Floats, spread: float, noise: Floats) -> "Lines":
        """The models of runs (`battery_runs`) about the shared gauge and shift (runs x 2); rated: run time [min]."""
        n, w, ww, y, wy, g, wg, gg, yg = (
            runs[name].to_numpy().astype(float) for name in ("n", "w", "ww", "y", "wy", "g", "wg", "gg", "yg")
        )
        shift = shared[:, 1]
        rate = np.exp(-shift) / rated
        u, uu, ug = rate * w, rate**2 * ww, rate * wg
        z = y + (1 + shift) * u - n
        uz = rate * wy + (1 + shift) * uu - u
        gz = yg + (1 + shift) * ug - g
        return cls(
            aa=tabled([[n, u], [u, uu]]),
            af=tabled([[-g, u], [-ug, uu]]),
            ff=tabled([[gg, -ug], [-ug, uu]]),
            az=np.stack([z, uz], axis=1),
            fz=np.stack([-gz, uz], axis=1),
            own=np.array([LEVEL_SPREAD**2, spread**2]),
            noise=noise,
        )

    def _weights(self) -> Floats:
        """Inverse of A'A + noise * own^-1: what integrating out x takes away."""
        ridge = self.noise[:, None] / self.own[None, :]
        m = self.aa + ridge[:, :, None] * np.eye(2)
        one, both, two = m[:, 0, 0], m[:, 0, 1], m[:, 1, 1]
        return tabled([[two, -both], [-both, one]]) / (one * two - both**2)[:, None, None]

    def tell(self) -> tuple[Floats, Floats]:
        """What each run tells of the shared: information (n x 2 x 2), and information times estimate (n x 2)."""
        back = self.af.transpose(0, 2, 1) @ self._weights()
        told = (self.ff - back @ self.af) / self.noise[:, None, None]
        return told, (self.fz - (back @ self.az[:, :, None])[:, :, 0]) / self.noise[:, None]

    def deviations(self, shared: Floats) -> tuple[Floats, Floats]:
        """Each run's own deviation of the logarithm of run time, given what is shared, and its error's variance."""
        left = self.az - (self.af @ shared[:, :, None])[:, :, 0]
        n, u, uu = self.aa[:, 0, 0], self.aa[:, 0, 1], self.aa[:, 1, 1]
        about = uu - u**2 / n
        return (left[:, 1] - u * left[:, 0] / n) / about, self.noise / about


def tabled(rows: list[list[Floats]]) -> Floats:
    """Arrays of numbers as an array of 2 x 2 matrices."""
    return np.stack([np.stack(row, axis=1) for row in rows], axis=1)


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
    n, w, ww, y, wy, yy, g, wg, gg, yg = (
        runs[name].to_numpy().astype(float) for name in ("n", "w", "ww", "y", "wy", "yy", "g", "wg", "gg", "yg")
    )
    y, wy, yy = y + bend * g, wy + bend * wg, yy + 2 * bend * yg + bend**2 * gg
    return np.asarray(np.maximum(yy - y**2 / n - (wy - w * y / n) ** 2 / (ww - w**2 / n), 0.0), float)


def percent_variance(squares: Floats, freedom: Floats, settings: Settings) -> float:
    """Variance of a reported percentage about the straight line [-]: the setting, drawn to the scatter of today's runs.

    From the sums of squares of runs about their own lines and their degrees of freedom; the setting weighs
    `power.percent_weight` of these. Rounding to whole percent is part of what scatters: never less than its 1/12.
    """
    weight, start = settings["power.percent_weight"], (settings["power.percent_error"] / 100) ** 2
    return max((weight * start + float(squares.sum())) / (weight + float(freedom.sum())), ROUNDING)


def battery_runs(known: Known) -> pl.DataFrame:
    """Sums over each unit's longest run of reports from its battery, joined to the roster; a row a unit.

    n, and sums of w [min since the first of them], y (charge), g (its slope by the gauge's exponent) and of products.
    """
    s, percent = known.settings, pl.col("battery_percent")
    said = (
        known.status.select("unit_id", "occurred_at", "sequence", "power", "battery_percent")
        .sort("unit_id", "occurred_at", "sequence")
        .filter(pl.col("power").is_not_null() & percent.is_not_null())
        .select(
            "unit_id",
            is_off=pl.col("power") == "battery",
            minutes=(pl.col("occurred_at") - known.at).dt.total_microseconds() / 60e6,
            # Nearly empty a gauge stands still; such a report is no point of the line. Leaving out full ones as well
            # would choose by their error.
            counts=((pl.col("power") == "battery") & (percent >= 5)).cast(pl.Float64),
            y=gauge(percent, s),
        )
    )
    unit = said["unit_id"].rle_id().to_numpy().astype(np.int64)
    is_off, minutes, counts, y = (said[name].to_numpy() for name in ("is_off", "minutes", "counts", "y"))
    begins = np.flatnonzero(np.diff(2 * unit + is_off, prepend=-1))
    run = np.repeat(np.arange(len(begins)), np.diff(begins, append=len(unit)))
    w, y = (minutes - minutes[begins][run]) * counts, y * counts

    def summed(**rows: Floats) -> dict[str, pl.Series]:
        return {name: pl.Series(np.add.reduceat(v, begins) if len(begins) else v) for name, v in rows.items()}

    first = said[begins].select("unit_id", "is_off").with_row_index("run")
    first = first.with_columns(**summed(n=counts, w=w, ww=w * w, y=y, wy=w * y, yy=y * y))
    runs = first.join(known.units, on="unit_id", how="left", maintain_order="left")
    rate = 1 / run_minutes(runs, known.county.election_day.year, s)
    # The slope by the exponent is taken on the roster's line through the run's middle: at the reported charge, or on
    # the run's own line, it would share their errors, and err with them.
    start = (runs["y"].to_numpy() + rate * runs["w"].to_numpy()) / np.maximum(runs["n"].to_numpy(), 1)
    line = np.clip(start[run] - rate[run] * w, 0.02, 1.0)
    g = line * np.log(line) / s["power.gauge_exponent"] * counts
    return (
        runs.with_columns(**summed(g=g, wg=w * g, gg=g * g, yg=y * g))
        .filter(pl.col("is_off") & (pl.col("n") >= 3) & (pl.col("ww") > 0) & pl.col("type").is_not_null())
        .sort("unit_id", "n", "w")
        .unique("unit_id", keep="last", maintain_order=True)
    )
