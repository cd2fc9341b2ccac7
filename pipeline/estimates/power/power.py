"""Who is on battery, until when, and what it would cost.

`supply_states` says what each unit runs on; `power` adds how long it lasts. Method, sources, limits:
docs/methods/power.md.
"""

from datetime import datetime

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts import estimates, events
from pipeline.contracts.known import Known, empty
from pipeline.estimates.power import charge, outages, supply

Floats = NDArray[np.float64]
REPORTING_MINUTES = 15.0  # a unit that reported from its battery so recently is not dark; our choice [min]
CHECKIN_TYPES = ("electronic-poll-book",)
SCANNER_TYPES = ("scan-single", "scan-batch")


def supply_states(known: Known, readings: pl.DataFrame, notes: pl.DataFrame) -> pl.DataFrame:
    """What every rostered unit runs on at T, since when, and what that stands on."""
    if known.units.is_empty():
        return empty(events.SupplyStates)
    units = supply.judged(known, readings, notes).sort("unit_id")
    off = units.filter(pl.col("is_off")).select("unit_id", "site_id", outage_since="began")
    found = gone_dark(known, off)
    promised = promises(known, notes)
    frame = units.join(found, on="unit_id", how="left").join(promised, on="site_id", how="left")
    is_off = pl.col("is_off").fill_null(False)
    supply_word = pl.when(is_off & pl.col("is_dark")).then(pl.lit("dark")).when(is_off).then(pl.lit("battery"))
    frame = frame.with_columns(
        supply=supply_word.otherwise(pl.lit("mains")),
        outage_since=pl.when(is_off).then("began"),
        restoration_at=pl.when(is_off).then("restoration_at"),
        basis=basis(),
    ).with_columns(
        since=pl.when(pl.col("supply") == "dark").then("dark_since").when(is_off).then("began").otherwise("since_on"),
        charge_mean=pl.when(pl.col("supply") == "dark").then(0.0).otherwise("charge_mean"),
    )
    frame = mains_charge(known, frame)
    return frame.select(list(empty(events.SupplyStates).columns))


def basis() -> pl.Expr:
    """What the state stands on, in words."""
    dark = pl.when(pl.col("is_dark").fill_null(False)).then(
        pl.lit("; its charge has probably run out and it no longer reports")
    )
    stands = pl.coalesce("says", pl.lit("no sign of trouble and no report"))
    return pl.concat_str(stands, dark.otherwise(pl.lit("")))


def gone_dark(known: Known, off: pl.DataFrame) -> pl.DataFrame:
    """For units off mains: is_dark, dark_since, charge_mean.

    A unit is dark when it has stopped reporting and its charge has more likely than not run out.
    """
    d = charge.discharges(known, off)
    is_silent = d.age - d.alive_at > REPORTING_MINUTES
    is_dark = is_silent & (d.empty_by(np.zeros((len(d.age), 1)))[:, 0] >= 0.5) if len(d.age) else is_silent
    middle = d.quantile(0.5) if len(d.age) else d.age
    return off.select("unit_id").with_columns(
        is_dark=pl.Series(is_dark, dtype=pl.Boolean),
        dark_since=charge.at_offset(known.at, np.minimum(middle, 0.0)),
        charge_mean=pl.Series(d.charge_mean(), dtype=pl.Float64),
    )


def mains_charge(known: Known, frame: pl.DataFrame) -> pl.DataFrame:
    """Fills the charge of units on mains: the last percentage, recharged since; null where none was reported."""
    last = (
        known.status.filter(pl.col("battery_percent").is_not_null() & (pl.col("occurred_at") <= known.at))
        .sort("unit_id", "occurred_at", "sequence")
        .group_by("unit_id", maintain_order=True)
        .agg(percent=pl.col("battery_percent").last(), percent_at=pl.col("occurred_at").last())
    )
    recharge = pl.col("recharge_minutes").fill_null(known.settings["power.recharge_minutes"]).clip(lower_bound=1)
    gained = (known.at - pl.col("percent_at")).dt.total_seconds() / 60 / recharge
    on_mains = (pl.col("percent") / 100 + gained).clip(0, 1)
    return (
        frame.join(last, on="unit_id", how="left")
        .join(known.units.select("unit_id", "recharge_minutes"), on="unit_id", how="left")
        .with_columns(charge_mean=pl.when(pl.col("supply") == "mains").then(on_mains).otherwise("charge_mean"))
    )


def promises(known: Known, notes: pl.DataFrame) -> pl.DataFrame:
    """The newest restoration promised for each site, by the utility's list or by a note: site_id, restoration_at."""
    sites = known.sites.select("site_id", "circuit")
    listed = known.outages.filter(
        pl.col("estimated_restoration_at").is_not_null()
        & (pl.col("restored_at").is_null() | (pl.col("restored_at") > known.at))
        & (pl.col("started_at") <= known.at)
    )
    by_list = sites.join(listed, on="circuit").select(
        "site_id", made_at="received_at", restoration_at="estimated_restoration_at"
    )
    said = notes.filter(pl.col("restoration_at").is_not_null() & (pl.col("occurred_at") <= known.at))
    words = {"made_at": pl.col("occurred_at"), "restoration_at": pl.col("restoration_at")}
    by_site = said.filter(pl.col("site_id").is_not_null()).select("site_id", **words)
    by_circuit = sites.join(said.filter(pl.col("site_id").is_null()).drop("site_id"), on="circuit").select(
        "site_id", **words
    )
    return (
        pl.concat([by_list, by_site, by_circuit])
        .sort("site_id", "made_at", "restoration_at")
        .group_by("site_id", maintain_order=True)
        .last()
        .with_columns(promised_at=pl.col("made_at"))
        .select("site_id", "restoration_at", "promised_at")
    )


def power(known: Known, supply: pl.DataFrame, loads: pl.DataFrame) -> pl.DataFrame:
    """Every rostered unit: its supply, when its charge would end, and what that would cost until closing."""
    if supply.is_empty():
        return empty(estimates.Power)
    off = supply.filter(pl.col("supply").is_in(["battery", "dark"]) & pl.col("outage_since").is_not_null())
    off = off.sort("unit_id")
    costs = exposure(known, off, loads)
    names = list(empty(estimates.Power).columns)
    frame = supply.sort("unit_id").join(costs, on="unit_id", how="left")
    chances = ["chance_dark", "expected_dark_minutes", "expected_voter_minutes"]
    return frame.with_columns(pl.col(chances).fill_null(0.0)).select(names)


def exposure(known: Known, off: pl.DataFrame, loads: pl.DataFrame) -> pl.DataFrame:
    """Time to empty, chance of going dark, dark minutes and voter-minutes of the units off mains."""
    d = charge.discharges(known, off.select("unit_id", "site_id", "outage_since"))
    is_dark = (off["supply"] == "dark").to_numpy()
    left, waiting, arrivals = at_stake(known, off, loads)
    chance, dark, voters = np.zeros(len(left)), np.zeros(len(left)), np.zeros(len(left))
    empties = {name: np.zeros(len(left)) for name in ("low", "mean", "high")}
    if len(left):
        u, lasts = outlasting(known, off, d.age)
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


def outlasting(known: Known, off: pl.DataFrame, age: Floats) -> tuple[Floats, Floats]:
    """The grid of minutes ahead, and per unit the chance that its outage outlasts each point."""
    started = known.outages.filter(pl.col("started_at") <= known.at)
    is_over = pl.col("restored_at").is_not_null() & (pl.col("restored_at") <= known.at)
    until = pl.when(is_over).then("restored_at").otherwise(known.at)
    lengths = started.select(is_over=is_over, minutes=(until - pl.col("started_at")).dt.total_seconds() / 60)
    sorts = [
        lengths.filter(pl.col("is_over") == over, pl.col("minutes") > 0)["minutes"].sort().to_numpy()
        for over in (True, False)
    ]
    length = outages.learnt(sorts[0], sorts[1], known.settings)
    promised = offset(off, "restoration_at", known.at)
    made = made_ago(known, off)
    return outages.remaining_survival(length, age, promised, made, known.settings)


def made_ago(known: Known, off: pl.DataFrame) -> Floats:
    """Minutes since each unit's promise was made: the receipt of the list that carries it, else the outage's start."""
    listed = known.outages.filter(pl.col("estimated_restoration_at").is_not_null())
    made = (
        off.join(known.sites.select("site_id", "circuit"), on="site_id", how="left", maintain_order="left")
        .join(
            listed.group_by("circuit", restoration_at="estimated_restoration_at").agg(made=pl.col("received_at").max()),
            on=["circuit", "restoration_at"],
            how="left",
            maintain_order="left",
        )
        .with_columns(made=pl.coalesce("made", "outage_since"))
    )
    return np.maximum(-offset(made, "made", known.at), 0.0)


def offset(frame: pl.DataFrame, column: str, at: datetime) -> Floats:
    """Minutes from `at` to a time; NaN where there is none."""
    minutes = frame.select((pl.col(column) - at).dt.total_seconds() / 60).to_series()
    return minutes.cast(pl.Float64).fill_null(float("nan")).to_numpy()


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
