"""What going dark costs: chance, dark minutes and voter-minutes, from when a unit is empty and how long power is out.

Method: docs/methods/power.md.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.estimates.power import charge, outages, promises
from pipeline.estimates.power.circuits import Lengths

Floats = NDArray[np.float64]
CHECKIN_TYPES = ("electronic-poll-book",)
SCANNER_TYPES = ("scan-single", "scan-batch")


def exposure(known: Known, off: pl.DataFrame, loads: pl.DataFrame, lengths: Lengths) -> pl.DataFrame:
    """Time to empty, chance of going dark, dark minutes and voter-minutes of the units off mains."""
    d = charge.discharges(known, off.select("unit_id", "site_id", "outage_since"))
    is_dark = (off["supply"] == "dark").to_numpy()
    left, waiting, arrivals = at_stake(known, off, loads)
    chance, dark, voters = np.zeros(len(left)), np.zeros(len(left)), np.zeros(len(left))
    empties = {name: np.zeros(len(left)) for name in ("low", "mean", "high")}
    if len(left):
        u, lasts = outlasting(known, off, d.age, lengths)
        gone = np.where(is_dark[:, None], 1.0, d.empty_by(u[None, :]))
        chance, dark, voters = integrals(u, lasts, gone, left, waiting, arrivals)
        chance = np.where(is_dark, 1.0, chance)
        empties = {"low": d.quantile(0.05), "mean": d.quantile(0.5), "high": d.quantile(0.95)}
    on_battery = pl.Series(~is_dark, dtype=pl.Boolean)
    frame = off.select("unit_id").with_columns(
        on_battery=on_battery,
        chance_dark=pl.Series(np.clip(chance, 0, 1), dtype=pl.Float64),
        expected_dark_minutes=pl.Series(dark, dtype=pl.Float64),
        expected_voter_minutes=pl.Series(voters, dtype=pl.Float64),
        **{f"empty_at_{name}": charge.at_offset(known.at, value) for name, value in empties.items()},
    )
    times = [f"empty_at_{name}" for name in empties]
    return frame.with_columns(pl.when("on_battery").then(pl.col(times))).drop("on_battery")


def outlasting(known: Known, off: pl.DataFrame, age: Floats, lengths: Lengths) -> tuple[Floats, Floats]:
    """The grid of minutes ahead, and per unit the chance that its outage outlasts each point."""
    circuit = off.join(known.sites.select("site_id", "circuit"), on="site_id", how="left", maintain_order="left")
    promised = promises.promise_of(off, known)
    return outages.remaining_survival(lengths.of(circuit["circuit"]), age, promised)


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
    step = np.diff(u)
    room = left[:, None] - u[None, :-1]
    inside = np.where(step > 0, np.clip(room / np.where(step > 0, step, 1.0), 0.0, 1.0), room > 0)
    survive = (lasts[:, 1:] + lasts[:, :-1]) / 2
    chance = gone[:, 0] * (left > 0) + (np.diff(gone, axis=1) * survive * inside).sum(axis=1)
    width = step[None, :] * inside
    empty_now = (gone[:, 1:] + gone[:, :-1]) / 2
    dark = (empty_now * survive * width).sum(axis=1)
    since = np.cumsum(empty_now * width, axis=1) - empty_now * width / 2
    late = (since * survive * width).sum(axis=1)
    return chance, dark, waiting * dark + arrivals * late


def at_stake(known: Known, off: pl.DataFrame, loads: pl.DataFrame) -> tuple[Floats, Floats, Floats]:
    """Minutes to closing, people in the unit's part of its line, people a minute who join it.

    A site's line is shared out evenly over its units of that sort: one of two scanners going dark costs half the
    line. A marking device takes the few who use one.
    """
    sorts = (
        pl.when(pl.col("type").is_in(list(CHECKIN_TYPES)))
        .then(pl.lit("checkin"))
        .when(pl.col("type").is_in(list(SCANNER_TYPES)))
        .then(pl.lit("scanner"))
        .when(pl.col("type") == "bmd")
        .then(pl.lit("bmd"))
    )
    sorted_units = known.units.filter(pl.col("site_id").is_not_null()).select("unit_id", "site_id", sort=sorts)
    many = pl.len().over("site_id", "sort")
    shared = sorted_units.with_columns(part=pl.when(pl.col("sort").is_null()).then(0.0).otherwise(1 / many))
    bmd = known.settings["power.bmd_share"]
    frame = (
        off.select("unit_id", "site_id")
        .join(shared.drop("site_id"), on="unit_id", how="left", maintain_order="left")
        .join(loads, on="site_id", how="left", maintain_order="left")
        .join(known.sites.select("site_id", "closes_at"), on="site_id", how="left", maintain_order="left")
    )
    left = ((pl.col("closes_at") - known.at).dt.total_seconds() / 60).clip(lower_bound=0).fill_null(0.0)
    at_scanner = pl.when(pl.col("sort") == "scanner").then("scanner_waiting").otherwise(0.0)
    line = pl.when(pl.col("sort") == "checkin").then("checkin_waiting").otherwise(at_scanner)
    part = (pl.col("part") * pl.when(pl.col("sort") == "bmd").then(bmd).otherwise(1.0)).fill_null(0.0)
    values = frame.select(
        left=left,
        waiting=(part * line).fill_null(0.0),
        arrivals=(part * pl.col("arrivals_per_minute")).fill_null(0.0),
    )
    return tuple(values[name].to_numpy().astype(float) for name in ("left", "waiting", "arrivals"))  # type: ignore[return-value]
